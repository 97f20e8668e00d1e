package crypt

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	other "lukechampine.com/blake3"
	"pgregory.net/rapid"
)

func fixedRoot() *RootKey {
	key := [keySize]byte(counting(0, keySize))
	return &RootKey{key: hide(&key)}
}

func fixedRepo() RepositoryID { return RepositoryID(counting(0xa0, 16)) }

func derive(t testing.TB, root *RootKey, repo RepositoryID) *Keys {
	t.Helper()
	keys, err := root.Derive(repo)
	if err != nil {
		t.Fatal(err)
	}
	return keys
}

func TestDerivedKeysAreAllDifferent(t *testing.T) {
	seen := map[[keySize]byte]string{}
	for _, root := range []*RootKey{fixedRoot(), NewRootKey()} {
		for _, repo := range []RepositoryID{fixedRepo(), NewRepositoryID()} {
			d := derive(t, root, repo).derived.get()
			for name, key := range map[string][keySize]byte{
				"identity": d.identity, "boundary": d.boundary, "wrapping": d.wrapping, "manifest": d.manifest, "slots": d.slots, "groups": d.groups,
			} {
				if first, ok := seen[key]; ok {
					t.Errorf("%s repeats %s", name, first)
				}
				seen[key] = name
			}
		}
	}
	if len(seen) != 24 {
		t.Errorf("%d keys, want 24", len(seen))
	}
}

func TestRootKeyEqualAndWipe(t *testing.T) {
	a, b := fixedRoot(), fixedRoot()
	if !a.Equal(b) || a.Equal(NewRootKey()) {
		t.Error("Equal does not compare the keys")
	}
	inside := a.material()
	a.Wipe()
	a.Wipe()
	if *inside != [keySize]byte{} {
		t.Error("Wipe left the key in memory")
	}
	for name, k := range map[string]*RootKey{"wiped": a, "never made": new(RootKey), "nil": nil} {
		if _, err := k.Derive(fixedRepo()); !errors.Is(err, ErrEmptySecret) {
			t.Errorf("%s: Derive says %v", name, err)
		}
		if k.Equal(b) || b.Equal(k) || k.Equal(k) {
			t.Errorf("%s: equal to a key", name)
		}
	}
}

func TestManifestMAC(t *testing.T) {
	keys := derive(t, fixedRoot(), fixedRepo())
	message := []byte(`{"format":1}`)
	mac := keys.ManifestMAC(message)
	independent := hmac.New(sha256.New, keys.derived.get().manifest[:])
	independent.Write(message)
	if !bytes.Equal(independent.Sum(nil), mac[:]) {
		t.Error("not HMAC-SHA-256 under the derived key")
	}
	if !keys.CheckManifest(message, mac) {
		t.Error("refuses its own MAC")
	}
	for bit := range len(mac) * 8 {
		changed := mac
		changed[bit/8] ^= 1 << (bit % 8)
		if keys.CheckManifest(message, changed) {
			t.Errorf("accepts a MAC with bit %d flipped", bit)
		}
	}
	if keys.CheckManifest([]byte(`{"format":2}`), mac) {
		t.Error("accepts another message")
	}
	if derive(t, fixedRoot(), NewRepositoryID()).CheckManifest(message, mac) {
		t.Error("accepts another repository's MAC")
	}
}

func TestTextForms(t *testing.T) {
	repo := fixedRepo()
	if got, want := repo.String(), "a0a1a2a3a4a5a6a7a8a9aaabacadaeaf"; got != want {
		t.Errorf("repository id %s, want %s", got, want)
	}
	type record struct {
		Repository RepositoryID
		Digest     Digest
	}
	written := record{repo, NewDigestHasher().Sum()}
	text, err := json.Marshal(written)
	if err != nil {
		t.Fatal(err)
	}
	var read record
	if err := json.Unmarshal(text, &read); err != nil || read != written {
		t.Errorf("%s came back as %+v, %v", text, read, err)
	}
	for name, bad := range map[string]string{
		"empty": "", "short": "a0", "upper case": strings.ToUpper(repo.String()),
		"not hexadecimal": "g0a1a2a3a4a5a6a7a8a9aaabacadaeaf", "long": repo.String() + "00",
	} {
		if id, err := ParseRepositoryID(bad); err == nil || id != (RepositoryID{}) {
			t.Errorf("%s: repository id %v, %v", name, id, err)
		}
		if d, err := ParseDigest(bad + bad); err == nil || d != (Digest{}) {
			t.Errorf("%s: digest %v, %v", name, d, err)
		}
	}
}

func FuzzParseTexts(f *testing.F) {
	f.Add(fixedRepo().String())
	f.Add(NewDigestHasher().Sum().String())
	f.Add("A0")
	f.Fuzz(func(t *testing.T, s string) {
		if id, err := ParseRepositoryID(s); err == nil && id.String() != s {
			t.Errorf("repository id %q is written %q", s, id)
		}
		if d, err := ParseDigest(s); err == nil && d.String() != s {
			t.Errorf("digest %q is written %q", s, d)
		}
	})
}

func TestHasherAllocatesNothing(t *testing.T) {
	h := derive(t, fixedRoot(), fixedRepo()).NewHasher()
	chunk := make([]byte, 16<<10)
	if n := testing.AllocsPerRun(100, func() { h.Sum(chunk) }); n != 0 {
		t.Errorf("%v allocations for each Sum", n)
	}
}

// A digest is that of the written-out records, for any chunks, and Sum may be
// called between them.
func TestDigestIsOverIdentitiesAndLengths(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		type chunk struct {
			ID     Identity
			Length int
		}
		var written []byte
		d := NewDigestHasher()
		for range rapid.IntRange(0, 600).Draw(t, "chunks") {
			c := chunk{Length: rapid.IntRange(0, 1<<40).Draw(t, "length")}
			copy(c.ID[:], rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "identity"))
			d.Add(c.ID, c.Length)
			written = append(written, c.ID[:]...)
			for shift := 0; shift < 64; shift += 8 {
				written = append(written, byte(c.Length>>shift))
			}
			if rapid.Bool().Draw(t, "look") {
				d.Sum()
			}
		}
		if got, want := d.Sum(), Digest(other.Sum256(written)); got != want {
			t.Fatalf("digest %v, want %v", got, want)
		}
	})
}
