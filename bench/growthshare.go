package main

import (
	"context"
	"io"
	"sync/atomic"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// share is a storage that plays a share: each call takes a while. It counts them, and
// the bytes that are read.
type share struct {
	*storage.Memory
	latency time.Duration
	calls   atomic.Int64
	read    atomic.Int64
}

func (s *share) call() {
	s.calls.Add(1)
	if s.latency > 0 {
		time.Sleep(s.latency)
	}
}

func (s *share) Put(ctx context.Context, name string, content io.Reader) error {
	s.call()
	return s.Memory.Put(ctx, name, content)
}

func (s *share) Mark(ctx context.Context, name string, content []byte) error {
	s.call()
	return s.Memory.Mark(ctx, name, content)
}

func (s *share) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	s.call()
	s.read.Add(int64(len(p)))
	return s.Memory.ReadAt(ctx, name, p, off)
}

func (s *share) List(ctx context.Context, folder string) ([]storage.Info, error) {
	s.call()
	return s.Memory.List(ctx, folder)
}

func (s *share) Stat(ctx context.Context, name string) (storage.Info, error) {
	s.call()
	return s.Memory.Stat(ctx, name)
}

func (s *share) Remove(ctx context.Context, name string) error {
	s.call()
	return s.Memory.Remove(ctx, name)
}

func (s *share) Now(ctx context.Context) (time.Time, error) {
	s.call()
	return s.Memory.Now(ctx)
}

// copyMemory gives a copy of a storage, with the times that objects have.
func copyMemory(ctx context.Context, from *storage.Memory, now time.Time) (*storage.Memory, error) {
	infos, err := from.List(ctx, "")
	if err != nil {
		return nil, err
	}
	to := storage.NewMemory()
	for _, info := range infos {
		b := make([]byte, info.Size)
		if err := from.ReadAt(ctx, info.Name, b, 0); err != nil {
			return nil, err
		}
		to.SetNow(func() time.Time { return info.Modified })
		if err := to.Mark(ctx, info.Name, b); err != nil {
			return nil, err
		}
	}
	to.SetNow(func() time.Time { return now })
	return to, nil
}

// grown is a repository with some captures, and the key to it.
type grown struct {
	memory *storage.Memory
	key    *crypt.KeyFile
	clock  time.Time
}

// with opens the repository over a share, with a cache, and runs f.
func (g *grown) with(ctx context.Context, sh *share, cache string, f func(*store.Repository) error) error {
	r, err := store.Open(ctx, sh, g.key, store.OpenOptions{Cache: cache})
	if err != nil {
		return err
	}
	defer r.Close()
	return f(r)
}
