package main

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// TestTwice restores a capture that a reclaim moves the given number of times.
func TestTwice(t *testing.T) {
	failed := errors.New("no space")
	for name, test := range map[string]struct {
		moves, restores int
		find, fail      error
		want            error
	}{
		"not moved":        {restores: 1},
		"another failure":  {restores: 1, fail: failed, want: failed},
		"moved once":       {moves: 1, restores: 2},
		"moved again":      {moves: 2, restores: 2, want: store.ErrMoved},
		"removed":          {moves: 1, restores: 1, find: store.ErrNotFound, want: store.ErrNotFound},
		"moved, then full": {moves: 1, restores: 2, fail: failed, want: failed},
	} {
		t.Run(name, func(t *testing.T) {
			var stderr bytes.Buffer
			a := newApp(strings.NewReader(""), &bytes.Buffer{}, &stderr, func(string) string { return "" })
			first, second := &store.Capture{ID: "20260314t0203z-k7f3"}, &store.Capture{ID: "20260314t0203z-k7f3"}
			var got []*store.Capture
			err := a.twice(first, func(id string) (*store.Capture, error) {
				if id != first.ID {
					t.Errorf("looked for %s", id)
				}
				return second, test.find
			}, func(c *store.Capture) error {
				if got = append(got, c); len(got) <= test.moves {
					return fmt.Errorf("capture: %w", store.ErrMoved)
				}
				return test.fail
			})
			if !errors.Is(err, test.want) || len(got) != test.restores || got[len(got)-1] != map[int]*store.Capture{1: first, 2: second}[len(got)] {
				t.Errorf("%d restores, %v", len(got), err)
			}
			if said := strings.Contains(stderr.String(), "Reclaiming"); said != (test.moves > 0) {
				t.Errorf("said %q", stderr.String())
			}
		})
	}
}
