package store

import (
	"context"
	"time"

	"github.com/kistarchive/kist/store/internal/vault"
)

// Before gives the newest capture of a service's name and host, of those that were taken no
// later than taken and are not retired, or nil where there is none: what a capture about
// to be made is to be compared with. Where this machine made some of them, by its own notes (OpenOptions.State), it is the newest of those:
// so index files that others put need not be read. It reads no more than it must, newest
// first, and passes over what can't be read. Whether the capture is held it does not tell.
//
// It fails with [ErrClosed], or with a *storage.Error that names what could not be listed.
func (r *Repository) Before(ctx context.Context, name, host string, taken time.Time) (c *Capture, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	found, err := r.taker.Before(ctx, name, host, taken)
	if found == nil || err != nil {
		return nil, err
	}
	return r.given(found), nil
}
