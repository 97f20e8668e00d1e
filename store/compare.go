package store

import (
	"cmp"
	"context"
	"io/fs"
	"iter"
	"slices"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/weigh"
)

// Difference is a member that two captures do not have alike.
type Difference struct {
	Volume string  `json:"volume"`
	Path   string  `json:"path"`
	Was    *Member `json:"was,omitempty"` // in the first capture; nil: added
	Is     *Member `json:"is,omitempty"`  // in the second one; nil: gone
	// Contents tells that the contents differ, not only what the header says.
	Contents bool `json:"contents"`
	// Bytes is how much of the contents the other capture has nowhere: of what is
	// there now, or of a member that is gone. Uncompressed.
	Bytes int64 `json:"bytes"`

	Changes Change `json:"-"` // in which ways it differs: one at least
}

// CompareOptions say which differences are wanted. The zero value wants all but folders of
// which only the times differ.
type CompareOptions struct {
	// Wanted, if set, is asked for the clean path of each member that differs: see [CleanPath].
	Wanted func(path string) bool
	// Changes are the kinds of change that are wanted; 0: all. A member with one of them is
	// given, whatever else changed of it.
	Changes Change
	// FolderTimes gives folders, too, of which only the time differs: that of a folder
	// changes with whatever is made or removed in it.
	FolderTimes bool
}

func (o *CompareOptions) wants(d *Difference) bool {
	if o.Wanted != nil && !o.Wanted(CleanPath(d.Path)) || o.Changes != 0 && d.Changes&o.Changes == 0 {
		return false
	}
	return o.FolderTimes || d.Changes != ChangeTime || d.Is.Type != tarstream.Folder
}

// Compare finds the members that were added, are gone, or changed between two
// captures, and how many bytes that neither shared are behind each. Contents are
// compared by their chunks, none is read; nor is, of the second member list, what both have
// alike. Members are compared by path, within
// volumes that [PairVolumes] pairs; of several of one path the last counts. What was added or changed comes in the order of the second capture, then
// what is gone in that of the first, under the names that their volumes have there.
//
// It keeps the members of both captures in memory, once where they have them alike: some 500
// bytes each, and 16 a chunk of the first one's contents. The sequence ends with an error:
// [ErrForeign], or [ErrDamaged] where a member list can't be read.
func (r *Repository) Compare(ctx context.Context, was, is *Capture, o CompareOptions) iter.Seq2[Difference, error] {
	return func(yield func(Difference, error) bool) {
		ctx, g := guarded(ctx)
		defer g.cancel(nil)
		o := o
		o.Wanted = g.match("CompareOptions.Wanted", o.Wanted)
		err := cmp.Or(r.open(ctx), r.ownsAll(was), r.ownsAll(is))
		if err == nil {
			var closed error
			err = r.scales.Compare(ctx, was.captured, is.captured, counterparts(was, is), func(found weigh.Difference) bool {
				d := newDifference(found)
				if closed = r.open(ctx); closed != nil || !o.wants(&d) {
					return closed == nil
				}
				return yield(d, nil)
			})
			err = cmp.Or(err, closed)
		}
		if g.finish(&err); err != nil {
			yield(Difference{}, err)
		}
	}
}

func newDifference(d weigh.Difference) Difference {
	return Difference{
		Volume: d.Volume, Path: d.Path, Was: d.Was, Is: d.Is, Contents: d.Contents, Bytes: d.Bytes,
		Changes: changesOf(d.Was, d.Is, d.Contents),
	}
}

func special(m *Member) fs.FileMode { return m.Mode & (fs.ModeSetuid | fs.ModeSetgid | fs.ModeSticky) }

// DifferenceTotals add differences up. The zero value is ready.
type DifferenceTotals struct {
	Added     int   `json:"added"`      // members
	Gone      int   `json:"gone"`       // members
	Changed   int   `json:"changed"`    // members that are in both
	Contents  int   `json:"contents"`   // of those: whose contents differ
	NewBytes  int64 `json:"new_bytes"`  // of what was added or changed, that the first capture has nowhere
	GoneBytes int64 `json:"gone_bytes"` // of what is gone, that the second one has nowhere
}

// Members is how many members differ.
func (t DifferenceTotals) Members() int { return t.Added + t.Gone + t.Changed }

// Add counts a difference.
func (t *DifferenceTotals) Add(d Difference) {
	switch {
	case d.Is == nil:
		t.Gone++
		t.GoneBytes += d.Bytes
		return
	case d.Was == nil:
		t.Added++
	default:
		t.Changed++
		if d.Contents {
			t.Contents++
		}
	}
	t.NewBytes += d.Bytes
}

// DifferenceSummary is what differences come to.
type DifferenceSummary struct {
	Totals  DifferenceTotals
	Biggest []Difference // by Bytes, the biggest first; of as many bytes the one that came first
}

// Summarize adds up differences, such as [Repository.Compare] gives them, and keeps as many of the biggest as that;
// it has no more than twice as many of them in memory at a time. It fails with the error that ends them, and then
// gives what came before it.
func Summarize(differences iter.Seq2[Difference, error], biggest int) (s DifferenceSummary, err error) {
	biggest = max(biggest, 0)
	for d, failed := range differences {
		if failed != nil {
			err = failed
			break
		}
		s.Totals.Add(d)
		if s.Biggest = append(s.Biggest, d); len(s.Biggest) > 2*biggest {
			s.Biggest = biggestOf(s.Biggest, biggest)
		}
	}
	s.Biggest = biggestOf(s.Biggest, biggest)
	return s, err
}

func biggestOf(d []Difference, n int) []Difference {
	slices.SortStableFunc(d, func(a, b Difference) int { return cmp.Compare(b.Bytes, a.Bytes) })
	return d[:min(len(d), n)]
}
