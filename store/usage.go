package store

import (
	"context"

	"github.com/kistarchive/kist/store/internal/vault"
)

// Usage says what a repository costs.
type Usage struct {
	Captures []CaptureUsage `json:"captures"`       // oldest first
	Captured int64          `json:"captured_bytes"` // length of all captures' streams
	Stored   int64          `json:"stored_bytes"`   // of all objects of the repository
	Slabs    int            `json:"slabs"`
	// Reclaimable is how many bytes are kept by retired captures, and by what
	// captures that were never finished left, but by none of Captures: about what
	// Reclaim could free once grace times have passed, if it moved the rest of every
	// slab. Counted as CaptureUsage.Alone is. What captures that are being made have
	// put so far is in it, too.
	Reclaimable int64 `json:"reclaimable_bytes"`
}

// CaptureUsage says what one capture costs.
type CaptureUsage struct {
	*Capture
	// Alone is how many bytes only this capture keeps: about what the repository
	// could free without it. Of a frame, each chunk counts by its length.
	Alone int64 `json:"alone_bytes"`
}

// Usage finds out what every capture keeps. It reads all tables and member
// lists' recipes, no contents, and takes 4 bytes of memory a chunk beside the
// index. It fails with [ErrDamaged] where a capture's chunks can't be found.
func (r *Repository) Usage(ctx context.Context) (u *Usage, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	captures, err := r.Captures(ctx)
	if err != nil {
		return nil, err
	}
	used, err := r.scales.Usage(ctx, inner(captures))
	if err != nil {
		return nil, err
	}
	u = &Usage{Captured: used.Captured, Stored: used.Stored, Slabs: used.Slabs, Reclaimable: used.Reclaimable}
	for i, c := range captures {
		u.Captures = append(u.Captures, CaptureUsage{c, used.Alone[i]})
	}
	return u, nil
}
