package store_test

import (
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// writeGoldenReplica makes a small second place of a repository: it has two captures of the first, of which one was amended there, and
// knows of one that was removed there, one that is retired there, and one that is there alone.
func writeGoldenReplica(t *testing.T, dir string) {
	t.Helper()
	ctx, mem, first := t.Context(), storage.NewMemory(), crypt.NewKeyFile()
	r, err := store.Create(ctx, mem, first, store.CreateOptions{ChunkAverage: 8 << 10})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	gone, err := captureWith(ctx, r, []byte("a capture that goes"))
	if err != nil {
		t.Fatal(err)
	}
	captureGolden(t, r, goldenVolumes(t))
	all, err := r.Captures(ctx)
	if err != nil {
		t.Fatal(err)
	}
	folder, key := newGolden(t, dir)
	defer folder.Close()
	made := crypt.SlotOptions{Label: "golden", Made: time.Now()}
	there, err := store.CreateReplica(ctx, folder, r, key, store.ReplicaOptions{Slot: made, Host: "hazel"})
	if err != nil {
		t.Fatal(err)
	}
	defer there.Close()
	var wanted []string
	for _, c := range all {
		if c.ID != gone.ID {
			wanted = append(wanted, c.ID)
		}
	}
	version := "4.0.9"
	for _, step := range []func() error{
		func() error { _, err := there.AddSlot(ctx, goldenSecret(t, dir, "passphrase"), made); return err },
		func() error { return r.Retire(ctx, []string{gone.ID}, store.MarkOptions{}) },
		func() error { _, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace}); return err },
		func() error { _, err := captureWith(ctx, r, []byte("one that stays")); return err },
		func() error {
			_, err := r.Amend(ctx, wanted[0], store.AmendOptions{Version: &version, Host: "hazel"})
			return err
		},
		func() error {
			_, err := r.Replicate(ctx, there, store.ReplicateOptions{Captures: wanted, Host: "hazel"})
			return err
		},
	} {
		if err := step(); err != nil {
			t.Fatal(err)
		}
	}
	expectGolden(t, dir, there)
}
