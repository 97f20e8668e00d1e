package objects_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
)

// testRepository sets up a repository in a bucket, captures, restores, retires and reclaims, through the library.
func testRepository(t *testing.T, e *engine) {
	s := e.open(t)
	key := crypt.NewKeyFile()
	r, err := store.Create(t.Context(), s, key, store.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
	if r, err = store.Open(t.Context(), s, key, store.OpenOptions{}); err != nil {
		t.Fatal(err)
	}
	defer r.Close()

	shared, own := noise(12<<20), noise(6<<20)
	first := capture(t, r, append(bytes.Clone(shared), own...))
	second := capture(t, r, shared)
	if err := r.Retire(t.Context(), []string{first.ID}, store.MarkOptions{Host: "hazel"}); err != nil {
		t.Fatal(err)
	}
	before, err := s.List(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	got, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, Host: "hazel"})
	if err != nil || len(got.Captures) != 1 || got.Freed < int64(len(own)) {
		t.Errorf("reclaimed %+v, %v", got, err)
	}
	after, err := s.List(t.Context(), "")
	if err != nil || len(after) >= len(before) {
		t.Errorf("%d objects before, %d after, %v", len(before), len(after), err)
	}
	if second, err = r.Find(t.Context(), second.ID); err != nil { // its rest was moved to other slabs
		t.Fatal(err)
	}
	wantRestored(t, r, second, shared)
	if _, err := r.Find(t.Context(), first.ID); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("the capture that was reclaimed: %v", err)
	}
}

func capture(t *testing.T, r *store.Repository, content []byte) *store.Capture {
	t.Helper()
	c, err := r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{streamOf(content)}})
	if err != nil {
		t.Fatal(err)
	}
	wantRestored(t, r, c, content)
	return c
}

func streamOf(content []byte) store.VolumeInput {
	return store.VolumeInput{Name: "data", Open: func(context.Context) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(content)), nil }}
}

func wantRestored(t *testing.T, r *store.Repository, c *store.Capture, want []byte) {
	t.Helper()
	sum := sha256.New()
	if err := r.Restore(t.Context(), &c.Volumes[0], sum, store.RestoreOptions{}); err != nil {
		t.Fatal(err)
	}
	if whole := sha256.Sum256(want); !bytes.Equal(sum.Sum(nil), whole[:]) {
		t.Errorf("capture %s: restored to another SHA-256", c.ID)
	}
}
