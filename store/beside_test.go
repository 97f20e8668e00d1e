package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// TestBeside lets several machines capture and retire in one folder at the same time,
// while one reclaims without any grace time, one verifies and one restores.
func TestBeside(t *testing.T) {
	f := newFixture(t)
	folder, err := storage.CreateFolder(t.TempDir()+"/repository", store.Folders()...)
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	r, err := store.Create(t.Context(), folder, f.key, store.CreateOptions{ChunkAverage: 8192})
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
	b := &beside{t: t, f: f, folder: folder, streams: make(map[string][]byte)}
	ctx, stop := context.WithCancel(t.Context())
	var writers, others sync.WaitGroup
	for w := range 3 {
		writers.Go(func() { b.write(w) })
	}
	for _, loop := range []func(context.Context, *store.Repository) error{b.reclaim, b.verify, b.restore} {
		others.Go(func() { b.repeat(ctx, loop) })
	}
	writers.Wait()
	stop()
	others.Wait()
	b.expectAll()
}

type beside struct {
	t      *testing.T
	f      *fixture
	folder *storage.Folder

	mu      sync.Mutex
	streams map[string][]byte // of the captures that are not retired
}

func (b *beside) open() *store.Repository {
	r, err := store.Open(context.Background(), b.folder, b.f.key, store.OpenOptions{})
	if err != nil {
		b.t.Error(err)
		panic(err)
	}
	return r
}

// write captures, and retires all but its last captures.
func (b *beside) write(writer int) {
	r := b.open()
	defer r.Close()
	var ids []string
	for n := range 8 {
		in := tarOf(b.t, file{name: "shared", content: random(1, 60_000)}, file{name: "own", content: random(byte(10*writer+n/3), 40_000)})
		c, err := b.capture(r, fmt.Sprint(writer), in)
		if err != nil {
			b.t.Error(err)
			return
		}
		b.mu.Lock()
		b.streams[c.ID] = in
		b.mu.Unlock()
		if ids = append(ids, c.ID); len(ids) <= 2 {
			continue
		}
		b.mu.Lock()
		delete(b.streams, ids[0])
		b.mu.Unlock()
		if err := r.Retire(context.Background(), ids[:1], store.MarkOptions{}); err != nil {
			b.t.Error(err)
		}
		ids = ids[1:]
	}
}

// capture captures, and does it again where it began just as somebody reclaimed what it relied on: without a grace time
// that is not announced before.
func (b *beside) capture(r *store.Repository, name string, in []byte) (c *store.Capture, err error) {
	for range 5 {
		c, err = r.Capture(context.Background(), store.CaptureOptions{Name: name, Volumes: []store.VolumeInput{stream(in)}})
		if !errors.Is(err, store.ErrOvertaken) {
			break
		}
	}
	return c, err
}

func (b *beside) repeat(ctx context.Context, loop func(context.Context, *store.Repository) error) {
	r := b.open()
	defer r.Close()
	for ctx.Err() == nil {
		if err := loop(context.Background(), r); err != nil {
			b.t.Error(err)
			return
		}
	}
}

func (b *beside) reclaim(ctx context.Context, r *store.Repository) error {
	_, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.1})
	return err
}

func (b *beside) verify(ctx context.Context, r *store.Repository) error {
	report, err := r.Verify(ctx, store.VerifyOptions{Full: true})
	if err == nil && !report.OK {
		err = fmt.Errorf("verifying found %+v", report.Damage)
	}
	return err
}

// restore restores a capture that is not retired. One that is retired and removed, or
// moved, while it is restored may fail.
func (b *beside) restore(ctx context.Context, r *store.Repository) error {
	c, err := r.Find(ctx, "latest")
	if errors.Is(err, store.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	var out bytes.Buffer
	err = r.Restore(ctx, &c.Volumes[0], &out, store.RestoreOptions{})
	if err != nil {
		return nil
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if want, ok := b.streams[c.ID]; ok && !bytes.Equal(out.Bytes(), want) {
		return fmt.Errorf("capture %s restored to something else", c.ID)
	}
	return nil
}

// expectAll reclaims what is left over, and restores all that was not retired.
func (b *beside) expectAll() {
	r := b.open()
	defer r.Close()
	if err := b.reclaim(b.t.Context(), r); err != nil {
		b.t.Fatal(err)
	}
	if err := b.verify(b.t.Context(), r); err != nil {
		b.t.Fatal(err)
	}
	captures, err := r.Captures(b.t.Context())
	if err != nil || len(captures) != len(b.streams) || len(captures) != 6 {
		b.t.Fatalf("%d captures of %d: %v", len(captures), len(b.streams), err)
	}
	for _, c := range captures {
		var out bytes.Buffer
		if err := r.Restore(b.t.Context(), &c.Volumes[0], &out, store.RestoreOptions{}); err != nil || !bytes.Equal(out.Bytes(), b.streams[c.ID]) {
			b.t.Errorf("capture %s: %v", c.ID, err)
		}
	}
	if writers, err := r.Writers(b.t.Context()); err != nil || len(writers) > 0 {
		b.t.Errorf("still at work: %v, %v", writers, err)
	}
}
