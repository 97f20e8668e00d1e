package vault

import (
	"bytes"
	"errors"
	"testing"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// What has the id of a repository and another root key is neither a place of it nor its spool, and nothing is put there.
func TestOthersRootKey(t *testing.T) {
	v, err := Create(t.Context(), storage.NewMemory(), crypt.NewKeyFile(), Settings{Average: chunk.DefaultAverage}, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	own, others := &Vault{manifest: v.manifest, root: v.root.Clone()}, &Vault{manifest: v.manifest, root: crypt.NewRootKey()}
	if !v.SameRepository(own) || v.SameRepository(others) {
		t.Errorf("its own root key: %t, another one: %t", v.SameRepository(own), v.SameRepository(others))
	}

	forged := *v.manifest
	keys, err := others.root.Derive(forged.ID)
	if err != nil {
		t.Fatal(err)
	}
	spool := storage.NewMemory()
	if err := spool.Put(t.Context(), names.Manifest, bytes.NewReader(forged.seal(keys))); err != nil {
		t.Fatal(err)
	}
	if _, err := v.OpenSpool(t.Context(), spool); !errors.Is(err, ErrExists) {
		t.Errorf("a spool of another root key: %v", err)
	}
	if all, err := spool.List(t.Context(), ""); err != nil || len(all) != 1 {
		t.Errorf("there are %v, %v", all, err)
	}
}
