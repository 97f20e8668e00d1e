package give

import (
	"context"
	"errors"
	"iter"
	"strings"
	"sync"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// tree finds members of a volume by their paths, as an order has them. It is safe for
// concurrent use.
type tree struct {
	r   *Giver
	v   *ledger.Volume
	ctx context.Context

	mu sync.Mutex
	in finder // nil until somebody asks

	displaced displaced
}

// treeMember is a member in a tree; without one, a folder that is there only since it holds others.
type treeMember struct {
	path string // as an order has it
	at   uint64 // bytes of the member list before it
	listedMember
}

// finder finds members.
type finder interface {
	// from gives the members in the order of paths, from a path on. An error of an order, in whose place
	// the member list may serve, is an *orderError.
	from(path string) iter.Seq2[*treeMember, error]
}

// orderError is what is wrong with an order.
type orderError struct{ error }

func (e *orderError) Unwrap() error { return e.error }

// asOrderError marks damage as damage of an order.
func asOrderError(err error) error {
	if vault.IsDamage(err) {
		return &orderError{err}
	}
	return err
}

// find gives what has a path. It fails with vault.ErrNotFound.
func (t *tree) find(path string) (*treeMember, error) {
	for m, err := range t.from(path) {
		switch {
		case err != nil:
			return nil, err
		case m.path == path:
			return m, nil
		case path != "" && !strings.HasPrefix(m.path, path+"/"):
			return nil, vault.ErrNotFound
		}
		return &treeMember{path: path}, nil
	}
	if path == "" {
		return &treeMember{}, nil
	}
	return nil, vault.ErrNotFound
}

// from gives the members in the order of paths, from a path on.
func (t *tree) from(path string) iter.Seq2[*treeMember, error] {
	return func(yield func(*treeMember, error) bool) {
		if err := t.r.vault.Open(); err != nil {
			yield(nil, err)
			return
		}
		in, err := t.finder()
		if err != nil {
			yield(nil, t.r.OrMoved(t.ctx, t.v, err))
			return
		}
		bad := t.each(in, &path, yield)
		if bad == nil {
			return
		}
		// The order is damaged: the member list serves in its place.
		if in, err = t.instead(in); err == nil {
			err = t.each(in, &path, yield)
		}
		if err != nil {
			yield(nil, t.r.OrMoved(t.ctx, t.v, err))
		}
	}
}

// each gives the members that a finder has. It fails where an order is damaged; then path is where
// to go on.
func (t *tree) each(in finder, path *string, yield func(*treeMember, error) bool) error {
	for m, err := range in.from(*path) {
		var bad *orderError
		if errors.As(err, &bad) {
			return err
		}
		if err != nil {
			yield(nil, t.r.OrMoved(t.ctx, t.v, err))
			return nil
		}
		if !yield(m, nil) {
			return nil
		}
		*path = m.path + "/" // before all that is behind it, also below it
	}
	return nil
}

// finder gives what finds members, made at the first call that succeeds.
func (t *tree) finder() (finder, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.in != nil {
		return t.in, nil
	}
	var err error
	if t.v.Order != nil {
		t.in, err = t.openOrder()
		if err == nil {
			return t.in, nil
		}
		if !vault.IsDamage(err) {
			return nil, err
		}
	}
	t.in, err = t.readList()
	return t.in, err
}

// instead gives what serves in the place of a damaged order.
func (t *tree) instead(bad finder) (finder, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.in != bad {
		return t.in, nil
	}
	in, err := t.readList()
	if err == nil {
		t.in = in
	}
	return in, err
}

// inMemory has all members.
type inMemory []*treeMember

func (all inMemory) from(path string) iter.Seq2[*treeMember, error] {
	return func(yield func(*treeMember, error) bool) {
		for _, m := range all[all.search(path):] {
			if !yield(m, nil) {
				return
			}
		}
	}
}

// search gives the first member that is not before a path.
func (all inMemory) search(path string) int {
	low, high := 0, len(all)
	for low < high {
		middle := (low + high) / 2
		if format.ComparePaths(all[middle].path, path) < 0 {
			low = middle + 1
		} else {
			high = middle
		}
	}
	return low
}

// newTreeMember gives a member of a listing, with so many bytes of the list before it.
func newTreeMember(l *weave.Listed, at uint64) *treeMember {
	m := &treeMember{path: weave.OrderPath(weave.CleanPath(l.Member.Path)), at: at}
	m.Member, m.chunk, m.chunks, m.length = l.Member, l.Chunk, l.Chunks, l.Length
	if m.Sparse {
		m.head = append([]byte(nil), l.Head...)
	}
	return m
}
