package serve

import (
	"context"
	"errors"
	"fmt"
	"testing"
)

// leaving is the context of a client that leaves after it was looked at so often.
type leaving struct {
	context.Context
	looks int
}

func (l *leaving) Err() error {
	if l.looks--; l.looks < 0 {
		return context.Canceled
	}
	return nil
}

// TestListedForSomebody: a folder is listed only for as long as its client is there, whatever its size.
func TestListedForSomebody(t *testing.T) {
	w := newWorld(t)
	const n = 2*readTogether + 1
	lots := make(map[string]string)
	for i := range n {
		lots[fmt.Sprintf("lots/%05d", i)] = ""
	}
	c := w.capture("4.3.0", tarOf(t, lots))
	w.server.library.forget()
	for looks, want := range map[int]error{n + 100: nil, 3: context.Canceled, readTogether + 3: context.Canceled} {
		tree := &davTree{library: w.server.library, known: make(map[string]*davInfo)}
		all, err := tree.listMembers(&leaving{t.Context(), looks}, "/", ref{c.ID, c.Volumes[0].Name, "lots"})
		if !errors.Is(err, want) || err == nil && len(all) != n || len(tree.known) > looks {
			t.Errorf("%d looks: %d of %d entries, %v", looks, len(all), len(tree.known), err)
		}
	}
}
