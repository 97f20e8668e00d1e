package store_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

type forgetfulWriter struct{}

func (forgetfulWriter) Write(p []byte) (int, error) { return len(p) / 2, nil }

type failingCloser struct {
	io.Reader
	err error
}

func (f failingCloser) Close() error { return f.err }

// What a caller easily gets wrong is told, and does not free, capture or restore another thing.
func TestMistakesOfCallersAreTold(t *testing.T) {
	ctx := context.Background()
	r, err := store.Create(ctx, storage.NewMemory(), crypt.NewKeyFile(), store.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for _, g := range []time.Duration{-time.Second, -time.Hour} {
		if _, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: g, DryRun: true}); !errors.Is(err, store.ErrBadOptions) {
			t.Errorf("a grace time of %v: %v", g, err)
		}
	}
	one := func(v store.VolumeInput) (*store.Capture, error) {
		return r.Capture(ctx, store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{v}})
	}
	if _, err := one(store.VolumeInput{Folder: &store.FolderInput{}}); !errors.Is(err, store.ErrBadOptions) {
		t.Errorf("a folder without a path: %v", err)
	}
	if _, err := one(store.VolumeInput{Open: func(context.Context) (io.ReadCloser, error) { return nil, nil }}); err == nil {
		t.Error("no stream was captured")
	}
	failed := errors.New("exit status 1")
	if _, err := one(store.VolumeInput{Open: func(ctx context.Context) (io.ReadCloser, error) {
		s, err := openCatalogue(ctx)
		return failingCloser{s, failed}, err
	}}); !errors.Is(err, failed) {
		t.Errorf("a stream that fails when it is closed: %v", err)
	}
	c, err := one(store.VolumeInput{Open: openCatalogue})
	if err != nil {
		t.Fatal(err)
	}
	v := &c.Volumes[0]
	if err := r.Restore(ctx, v, forgetfulWriter{}, store.RestoreOptions{}); !errors.Is(err, io.ErrShortWrite) {
		t.Errorf("Restore to a writer that takes half: %v", err)
	}
	if _, err := r.RestoreMembers(ctx, v, func(string) bool { return true }, forgetfulWriter{}, store.RestoreOptions{}); !errors.Is(err, io.ErrShortWrite) {
		t.Errorf("RestoreMembers to a writer that takes half: %v", err)
	}
	var b bytes.Buffer
	if err := r.Restore(ctx, v, &b, store.RestoreOptions{}); err != nil || b.Len() == 0 {
		t.Errorf("Restore: %v", err)
	}
}
