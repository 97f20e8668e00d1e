package weave

import (
	"bytes"
	"fmt"
	"io"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
)

// Extent is what an entry, or several, take of the streams of a volume; or where they stand there.
type Extent struct {
	List   uint64 // bytes of the member list
	Stamps uint64 // bytes of the stamps, packed
	Chunks uint64 // of the contents
}

// Plus gives both together.
func (e Extent) Plus(x Extent) Extent {
	return Extent{e.List + x.List, e.Stamps + x.Stamps, e.Chunks + x.Chunks}
}

// gap gives what to add to from to come to e. It wraps around, as adding it does.
func (e Extent) gap(from Extent) (list, stamps, chunks int64) {
	return int64(e.List - from.List), int64(e.Stamps - from.Stamps), int64(e.Chunks - from.Chunks)
}

func (e Extent) across(list, stamps, chunks int64) Extent {
	return e.Plus(Extent{uint64(list), uint64(stamps), uint64(chunks)})
}

// OrderSpan is a number of members that follow each other in the member list and whose paths
// ascend.
type OrderSpan struct {
	Path    string // clean, of the first; "" is the root
	Members int
	Begin   Extent
	Length  Extent
	Padding int // of the content before, in front of the first member's header
}

// OrderPath gives the path by which an order has a member, from a clean one.
func OrderPath(clean string) string {
	if clean == "." {
		return ""
	}
	return clean
}

// Unpack gives the members of a span, of the bytes that it takes of the member list and of
// the stamps. It fails with damage if they are not those that the span says.
func (s *OrderSpan) Unpack(v *ledger.Volume, list, stamps []byte) ([]*Listed, error) {
	entries := newEntryReader(bytes.NewReader(list), bytes.NewReader(stamps))
	w := &ListWalk{volume: v, chunk: s.Begin.Chunks, before: uint64(512 - s.Padding)}
	var all []*Listed
	last := ""
	for {
		l, err := w.step(entries)
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
		if l.Member == nil || l.Global || len(all) == s.Members {
			return nil, s.unlike("they are others than members")
		}
		path := OrderPath(CleanPath(l.Member.Path))
		if len(all) == 0 && path != s.Path || len(all) > 0 && format.ComparePaths(last, path) >= 0 {
			return nil, s.unlike("they have other paths")
		}
		last = path
		all = append(all, l)
	}
	if len(all) != s.Members || w.chunk != s.Begin.Chunks+s.Length.Chunks {
		return nil, s.unlike("they are fewer")
	}
	return all, nil
}

func (s *OrderSpan) unlike(what string) error {
	return fmt.Errorf("%w: %d members from %q on are not those that the order says: %s", format.ErrDamaged, s.Members, s.Path, what)
}
