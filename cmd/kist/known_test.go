package main

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
)

// TestStranger puts a repository with the same id and another root key in the place of one.
func TestStranger(t *testing.T) {
	b := newBench(t)
	b.must("capture", b.path("seedbank"))
	forge(t, b)
	for _, args := range [][]string{{"list"}, {"verify"}, {"capture", b.path("seedbank")}} {
		if status := b.run(t.Context(), args...); status != statusDamage || !strings.Contains(b.stderr.String(), "--accept-new-root") {
			t.Errorf("kist %q: status %d: %s", args, status, &b.stderr)
		}
	}
	b.must("list", "--accept-new-root")
	b.must("list")
	if strings.Contains(b.stderr.String(), "Warning") {
		t.Error(&b.stderr)
	}
}

// forge replaces a repository with an empty one of its id, opened by the same key file.
func forge(t *testing.T, b *bench) {
	t.Helper()
	var manifest map[string]any
	text, err := os.ReadFile(b.path("repo", "kist.json"))
	if err == nil {
		err = json.Unmarshal(text, &manifest)
	}
	if err != nil {
		t.Fatal(err)
	}
	id, err := crypt.ParseRepositoryID(manifest["id"].(string))
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(b.path("key"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	key, err := crypt.ReadKeyFile(f)
	if err != nil {
		t.Fatal(err)
	}
	root := crypt.NewRootKey()
	keys, err := root.Derive(id)
	if err != nil {
		t.Fatal(err)
	}
	slot, err := crypt.NewSlot(root, id, key, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	document, err := slot.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	message := fmt.Appendf(nil, "kist format 1\nid %s\nmade %s\nchunk average %.0f\n", id, manifest["made"], manifest["chunk_average"])
	if grace, ok := manifest["grace_seconds"]; ok {
		message = fmt.Appendf(message, "grace %.0f\n", grace)
	}
	mac := keys.ManifestMAC(message)
	sealed := strings.Replace(string(text), manifest["seal"].(string), hex.EncodeToString(mac[:]), 1)
	for _, folder := range []string{"keyslots", "slabs", "tables", "captures"} {
		if err := os.RemoveAll(b.path("repo", folder)); err != nil {
			t.Fatal(err)
		}
		if err := os.Mkdir(b.path("repo", folder), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	for name, content := range map[string][]byte{"keyslots/" + string(slot.ID()) + ".json": document, "kist.json": []byte(sealed)} {
		os.Remove(b.path("repo", name)) // it may be read-only
		if err := os.WriteFile(b.path("repo", name), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}
