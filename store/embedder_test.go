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

// What FindLosses did not give, or of another volume, is refused; so are no folder, and two volumes of one name.
func TestRestoreFolderRefuses(t *testing.T) {
	f := newFixture(t)
	one, other := f.capture(shared), f.capture(own)
	v := &one.Volumes[0]
	losses, err := f.FindLosses(t.Context(), v, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !losses.None() || new(store.Losses).None() || (*store.Losses)(nil).None() {
		t.Error("losses that nobody found are none")
	}
	moved := *losses
	moved.Volume = &other.Volumes[0]
	if n, err := f.RestoreWhole(t.Context(), &moved, nil, io.Discard, store.RestoreOptions{}); !errors.Is(err, store.ErrForeign) {
		t.Errorf("losses of another volume: %d, %v", n, err)
	}
	for name, c := range map[string]struct {
		volumes []*store.Volume
		dir     string
		losses  []*store.Losses
		want    error
	}{
		"nil losses":         {[]*store.Volume{v}, t.TempDir(), []*store.Losses{nil}, store.ErrForeign},
		"losses by hand":     {[]*store.Volume{v}, t.TempDir(), []*store.Losses{{Volume: v}}, store.ErrForeign},
		"of another volume":  {[]*store.Volume{v}, t.TempDir(), []*store.Losses{&moved}, store.ErrForeign},
		"no folder":          {[]*store.Volume{v}, "", nil, store.ErrBadOptions},
		"two of one name":    {[]*store.Volume{v, &other.Volumes[0]}, t.TempDir(), nil, store.ErrBadOptions},
		"as they were given": {[]*store.Volume{v}, t.TempDir(), []*store.Losses{losses}, nil},
	} {
		if _, err := f.RestoreFolder(t.Context(), c.volumes, c.dir, store.FolderOptions{Losses: c.losses}); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A member that was opened is not read on after Close, whatever is in memory.
func TestMemberFileAfterClose(t *testing.T) {
	f := newFixture(t)
	f.capture(own)
	r, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	c, err := r.Find(t.Context(), "latest")
	if err != nil {
		t.Fatal(err)
	}
	opened, err := r.OpenVolume(t.Context(), &c.Volumes[0])
	if err != nil {
		t.Fatal(err)
	}
	var path string
	for m := range opened.Members() {
		if m.Size > 10 {
			path = m.Path
		}
	}
	file, err := opened.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	b := make([]byte, 5)
	if _, err := file.ReadAt(b, 0); err != nil {
		t.Fatal(err)
	}
	r.Close()
	for name, do := range map[string]func() error{
		"Read":   func() error { _, err := file.Read(b); return err },
		"ReadAt": func() error { _, err := file.ReadAt(b, 0); return err },
		"Open":   func() error { _, err := opened.Open(t.Context(), path); return err },
	} {
		if err := do(); !errors.Is(err, store.ErrClosed) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
