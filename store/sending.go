package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/take"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// OpenSpool opens a storage of this machine as a spool of the repository, and makes it first if it is empty: captures go into it while
// the repository's own storage is slow or away, and [Repository.Send] brings them there. A spool is a repository of its own with the
// same id, keys and key slots; so what opens one opens the other, by [Open], and captures in it can be read and restored without the
// repository. Of the repository it reads its key slots alone: those that were added there since are in
// the spool as well. Those that were removed stay, for whoever may write in the repository's storage may have done that: who removes one
// on purpose removes it from the spool, too, by [Repository.RemoveSlot] of that.
//
// Give it an OpenOptions.State and a Cache that are not those of the repository, for they are kept by its id. Unlock
// is not used. Close frees it; it may be used after r is closed. It fails with [ErrExists] where another repository is.
func (r *Repository) OpenSpool(ctx context.Context, st storage.Storage, o OpenOptions) (spool *Repository, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	v, err := r.vault.OpenSpool(ctx, st)
	if err != nil {
		return nil, err
	}
	warning := newGuard()
	if o.Cache != "" {
		v.Keep(o.Cache, o.CacheSize, o.KeepBases)
	}
	return newRepository(v, ledger.OpenWatch(o.State, warning.warn(o.Warn), v.ID(), ""), warning), nil
}

// MaxTried is how often sending a capture may have been tried.
const MaxTried = 1 << 20

// SendOptions say how a capture is sent.
type SendOptions struct {
	// Level is how hard frames are compressed; an unknown one is ErrBadOptions.
	Level Level
	// Tried is how often this capture was begun to be sent before, by this process or another one; one below 0 or above
	// MaxTried is ErrBadOptions. By it no name of an object is used twice: what a try that failed put may appear later, where an
	// answer of the medium was lost.
	Tried int
	// Progress, if set, is called now and then, by one goroutine at a time.
	Progress func(Progress)
}

// Send makes a capture of a spool a capture of the repository that the spool is of, which is to, and gives it as it is there once
// it is committed: with the same id, times, labels and contents. Chunks that are known there are not written again. It is put like any
// new capture, so whatever stops it before leaves nothing that is listed, and it may be run again: one that is there already is given
// as it is. Marks, such as holds, are not sent, and the capture stays in the spool.
//
// It fails with [ErrForeign] for a capture that r did not give, or for a repository with other keys.
func (r *Repository) Send(ctx context.Context, c *Capture, to *Repository, o SendOptions) (sent *Capture, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := cmp.Or(r.open(ctx), r.ownsAll(c)); err != nil {
		return nil, err
	}
	if to == nil || !to.vault.SameRepository(r.vault) {
		return nil, fmt.Errorf("the repository to send to: %w", ErrForeign)
	}
	if !o.Level.known() {
		return nil, fmt.Errorf("%w: compression of %v: there is none", ErrBadOptions, o.Level)
	}
	if o.Tried < 0 || o.Tried > MaxTried {
		return nil, fmt.Errorf("%w: tried %d times before", ErrBadOptions, o.Tried)
	}
	meter := g.meter("SendOptions.Progress", o.Progress)
	meter.Expect(int64(streamBytes(c)))
	made, err := to.taker.Carry(ctx, r.stock, c.captured, take.Options{Level: o.Level.encoder(), Tried: o.Tried, Meter: meter})
	if errors.Is(err, take.ErrCarried) {
		return to.captureOf(ctx, c.ID)
	}
	if err != nil {
		return nil, err
	}
	return to.given(made), nil
}

// streamBytes gives how long all streams of a capture are, lists included.
func streamBytes(c *Capture) (n uint64) {
	for i := range c.Volumes {
		for _, p := range weave.Parts(c.Volumes[i].record) {
			n += p.Recipe.Bytes
		}
	}
	return n
}

// captureOf gives the capture of an id, be it retired.
func (r *Repository) captureOf(ctx context.Context, id string) (*Capture, error) {
	l, err := r.List(ctx)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(l.Captures, func(c *Capture) bool { return c.ID == id })
	if i < 0 {
		return nil, fmt.Errorf("capture %s: %w", id, cmp.Or(l.err(), ErrNotFound))
	}
	return l.Captures[i], nil
}
