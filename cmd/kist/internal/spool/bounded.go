package spool

import (
	"context"
	"errors"
	"io"
	"sync/atomic"

	"github.com/kistarchive/kist/store/storage"
)

// ErrLimit is returned where a spool has as much as it may. Compare with errors.Is.
var ErrLimit = errors.New("the spool has as much as it may (--spool-limit)")

// Bounded is a folder into which only so much more may be put. Marks are small, and always may. Its methods may be called at the same
// time.
type Bounded struct {
	*storage.Folder
	bounded atomic.Bool
	left    atomic.Int64
}

// Allow lets so many bytes more be put, and fails from then on with ErrLimit; below 0: any.
func (b *Bounded) Allow(n int64) {
	b.left.Store(n)
	b.bounded.Store(n >= 0)
}

// Put implements [storage.Storage].
func (b *Bounded) Put(ctx context.Context, name string, content io.Reader) error {
	return b.Folder.Put(ctx, name, &counted{b, content})
}

// counted is content that ends with ErrLimit where it is too much.
type counted struct {
	b *Bounded
	r io.Reader
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	if c.b.left.Add(-int64(n)) < 0 && c.b.bounded.Load() {
		return 0, ErrLimit
	}
	return n, err
}
