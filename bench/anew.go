package main

import (
	"context"
	"fmt"
	"path/filepath"
	"time"

	"github.com/kistarchive/kist/store"
)

// anew compares a repository without deltas, of which all was stored anew with them, with a fresh one that always had them.
type anew struct {
	Title   string  `json:"title"`
	Before  int64   `json:"before_bytes"`
	After   int64   `json:"after_bytes"`
	Fresh   int64   `json:"fresh_bytes"`
	Slabs   int     `json:"slabs"`
	Seconds float64 `json:"seconds"` // of storing anew, what was there freed at once
}

// storeAnew stores all of the repository anew, and captures the same into a fresh one.
func (w *seriesWriter) storeAnew(ctx context.Context) (*anew, error) {
	a := &anew{Title: w.Title, Before: w.Stored}
	if err := a.run(ctx, w.dir); err != nil {
		return nil, err
	}
	for i, c := range w.Captures {
		if err := compareCapture(ctx, w.dir, c.ID, w.tarballs[i]); err != nil {
			return nil, fmt.Errorf("stored anew: %s: %w", c.Label, err)
		}
	}
	if err := verify(ctx, w.dir); err != nil {
		return nil, err
	}
	with := *w.setup
	with.deltas = "on"
	fresh, err := newSeriesWriter(ctx, &with, w.dir+"-fresh", w.Title)
	if err != nil {
		return nil, err
	}
	for i, c := range w.Captures {
		if _, err := captureFile(ctx, fresh.dir, c.Label, w.tarballs[i], share{}); err != nil {
			return nil, err
		}
	}
	a.Fresh, err = folderLength(filepath.Join(fresh.dir, "repository"))
	return a, err
}

func (a *anew) run(ctx context.Context, dir string) error {
	r, err := openRepository(ctx, dir)
	if err != nil {
		return err
	}
	defer r.Close()
	if err := r.SetDeltas(ctx, store.DeltasOn, store.MarkOptions{}); err != nil {
		return err
	}
	begin := time.Now()
	out, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{}})
	if err != nil {
		return err
	}
	a.Seconds, a.Slabs = time.Since(begin).Seconds(), out.ToDeltas.Slabs
	a.After, _, err = r.onDisk()
	return err
}

func (a *anew) table() table {
	b := table{title: a.Title + ": stored anew with deltas", head: []string{"", "bytes", "of fresh"}}
	b.add("without deltas", count(a.Before), ratio(a.Before, a.Fresh))
	b.add("stored anew with them", count(a.After), ratio(a.After, a.Fresh))
	b.add("a fresh repository with them", count(a.Fresh), ratio(a.Fresh, a.Fresh))
	b.add(fmt.Sprintf("%d slabs in %s; all captures restored identical, every byte verified", a.Slabs, seconds(a.Seconds)))
	return b
}
