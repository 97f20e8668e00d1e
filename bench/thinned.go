package main

import (
	"context"
	"fmt"
	"path/filepath"
	"time"

	"github.com/kistarchive/kist/store"
)

// thinned compares a repository that was thinned out with a fresh one of the
// captures that stayed.
type thinned struct {
	Title   string  `json:"title"`
	Before  int64   `json:"before_bytes"`
	Stayed  int     `json:"captures_stayed"`
	After   int64   `json:"after_bytes"`
	Fresh   int64   `json:"fresh_bytes"` // of a repository that never had the others
	Moved   int     `json:"moved_slabs"`
	Seconds float64 `json:"seconds"` // of reclaiming
}

// thin retires all but every n-th capture and the newest, reclaims, and captures what
// stayed into a fresh repository.
func (w *seriesWriter) thin(ctx context.Context, n int) (*thinned, error) {
	t := &thinned{Title: w.Title, Before: w.Stored}
	var retired []string
	var stayed []int
	for i, a := range w.Captures {
		if i%n == 0 || i == len(w.Captures)-1 {
			stayed = append(stayed, i)
		} else {
			retired = append(retired, a.ID)
		}
	}
	t.Stayed = len(stayed)
	if err := t.reclaim(ctx, w.dir, retired); err != nil {
		return nil, err
	}
	for _, i := range stayed {
		if err := compareCapture(ctx, w.dir, w.Captures[i].ID, w.tarballs[i]); err != nil {
			return nil, fmt.Errorf("after reclaiming: %s: %w", w.Captures[i].Label, err)
		}
	}
	fresh, err := newSeriesWriter(ctx, w.setup, w.dir+"-fresh", w.Title)
	if err != nil {
		return nil, err
	}
	for _, i := range stayed {
		if _, err := captureFile(ctx, fresh.dir, w.Captures[i].Label, w.tarballs[i], share{}); err != nil {
			return nil, err
		}
	}
	t.Fresh, err = folderLength(filepath.Join(fresh.dir, "repository"))
	return t, err
}

func (t *thinned) reclaim(ctx context.Context, dir string, retired []string) error {
	r, err := openRepository(ctx, dir)
	if err != nil {
		return err
	}
	defer r.Close()
	if err := r.Retire(ctx, retired, store.MarkOptions{}); err != nil {
		return err
	}
	begin := time.Now()
	out, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace})
	if err != nil {
		return err
	}
	t.Seconds, t.Moved = time.Since(begin).Seconds(), out.Moved
	t.After, _, err = r.onDisk()
	return err
}

func (t *thinned) table() table {
	b := table{title: t.Title + ": thinned out", head: []string{"", "bytes", "of fresh"}}
	b.add("before", count(t.Before), ratio(t.Before, t.Fresh))
	b.add(fmt.Sprintf("after reclaiming, %d captures", t.Stayed), count(t.After), ratio(t.After, t.Fresh))
	b.add("a fresh repository of the same", count(t.Fresh), ratio(t.Fresh, t.Fresh))
	b.add(fmt.Sprintf("reclaimed in %s, %d slabs moved; all that stayed restored identical", seconds(t.Seconds), t.Moved))
	return b
}
