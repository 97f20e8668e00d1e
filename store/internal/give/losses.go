package give

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"sort"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// ErrCut is what is wrong with a member whose content is shorter than its header says: the stream
// that was captured ended within it.
var ErrCut = errors.New("the stream that was captured ended within it")

// ErrLostTarget is what is wrong with a hard link whose target is lost.
var ErrLostTarget = fmt.Errorf("%w: the file that it is a name of is lost", format.ErrDamaged)

// Losses says what of a volume can't be given back.
type Losses struct {
	Members []Lost // in the order of the list; a hard link too, where its target is lost
	// Ends says why nothing is known of members that came behind the last that is known; nil
	// where all are.
	Ends error
	// Unproved says that nothing shows that the other members are what was captured.
	Unproved error

	lost         map[string]bool // clean paths of Members
	entries      map[int]bool    // numbers of entries whose own content is lost, though a later one of the path may not be
	list, stamps weave.Wants     // of the chunks of the list; nil where nothing shows what they are
}

// Lost is a member that can't be given back whole.
type Lost struct {
	Path string
	Err  error
}

// None tells whether all of the volume can be given back, and proved.
func (l *Losses) None() bool { return len(l.Members) == 0 && l.Ends == nil && l.Unproved == nil }

// FindLosses reads all of a volume and finds out what can't be given back.
func (r *Giver) FindLosses(ctx context.Context, v *ledger.Volume, m *vault.Meter) (*Losses, error) {
	l := &Losses{lost: make(map[string]bool), entries: make(map[int]bool)}
	if err := r.proveList(ctx, v, l); err != nil {
		return nil, r.OrMoved(ctx, v, err)
	}
	if l.list == nil { // nothing of the list can be trusted
		return l, nil
	}
	m.Expect(int64(v.Length))
	bad, err := r.badContents(ctx, v, l, m)
	if err != nil {
		return nil, r.OrMoved(ctx, v, err)
	}
	m.Done()
	f := &lossFinder{Losses: l, bad: bad, state: make(map[string]error), unfinished: v.Unfinished != ""}
	for e, err := range r.listingOf(ctx, v, l) {
		if err != nil {
			return nil, r.OrMoved(ctx, v, err)
		}
		f.note(e)
	}
	f.end()
	if l.Ends == nil && v.Unfinished != "" {
		l.Ends = errors.New(v.Unfinished)
	}
	return l, nil
}

// proveList finds out what the chunks of the member list must be. Where nothing shows that, or the
// list's own recipe is damaged, it leaves list unset and says so.
func (r *Giver) proveList(ctx context.Context, v *ledger.Volume, l *Losses) error {
	var wants []weave.Wants
	for _, recipe := range []*format.Recipe{&v.MemberList, weave.OrEmpty(v.Stamps)} {
		p, err := r.prove(ctx, recipe)
		if err == nil {
			err = p.err
		}
		if vault.IsDamage(err) {
			l.Ends = fmt.Errorf("member list: %w", err)
			return nil
		}
		if err != nil {
			return err
		}
		wants = append(wants, p.want)
	}
	l.list, l.stamps = wants[0], wants[1]
	return nil
}

// listingOf reads the member list up to where it is damaged, which it notes.
func (r *Giver) listingOf(ctx context.Context, v *ledger.Volume, l *Losses) listing {
	return func(yield func(*weave.Listed, error) bool) {
		if l.list == nil {
			return
		}
		for e, err := range r.reader.ListingLike(ctx, v, l.list, l.stamps) {
			if vault.IsDamage(err) && ctx.Err() == nil {
				l.Ends = err
				return
			}
			if !yield(e, err) {
				return
			}
		}
	}
}

// badSpan is a stretch of chunks of a volume's contents that can't be given.
type badSpan struct {
	weave.Span
	err error
}

// badContents reads the contents and gives what is bad of them, in ascending order.
func (r *Giver) badContents(ctx context.Context, v *ledger.Volume, l *Losses, m *vault.Meter) ([]badSpan, error) {
	contents := weave.OrEmpty(v.Contents)
	all := func(err error) []badSpan { return []badSpan{{weave.Span{Count: math.MaxUint64}, err}} }
	p, err := r.prove(ctx, contents)
	if vault.IsDamage(err) && ctx.Err() == nil {
		return all(err), nil // of where chunks lie
	}
	if err != nil {
		return nil, err
	}
	l.Unproved = p.err
	var bad badSpans
	at := uint64(0)
	for run, err := range r.slabs.Runs(ctx, contents) {
		if vault.IsDamage(err) && ctx.Err() == nil {
			bad.add(at, math.MaxUint64-at, err)
			return bad, nil
		}
		if err == nil {
			err = r.badIn(ctx, run, at, p.want, m, &bad)
		}
		if err != nil {
			return nil, err
		}
		at += run.Len()
	}
	return bad, nil
}

type badSpans []badSpan

// add takes in a stretch behind all that are there.
func (b *badSpans) add(first, count uint64, err error) {
	if n := len(*b); n > 0 {
		if last := &(*b)[n-1]; last.First+last.Count == first {
			last.Count += count
			return
		}
	}
	*b = append(*b, badSpan{weave.Span{First: first, Count: count}, err})
}

// badIn reads a run whose first chunk has a number, on behind each frame that can't be read.
func (r *Giver) badIn(ctx context.Context, run format.Run, at uint64, want weave.Wants, m *vault.Meter, bad *badSpans) error {
	for run.Count > 0 {
		n, err := r.readRun(ctx, run, at, want, m, bad)
		if err == nil || ctx.Err() != nil || !vault.IsDamage(err) {
			return err
		}
		skip := run.Count - n
		if slab, failed := r.slabs.Open(ctx, run.Slab); failed == nil && run.First+n < slab.Chunks() {
			frame := slab.FrameOf(run.First + n)
			end := slab.FirstChunk(frame) + uint32(len(slab.Frames[frame].Chunks))
			skip = min(skip, end-run.First-n)
		}
		times := uint64(max(run.Times, 1))
		bad.add(at+uint64(n)*times, uint64(skip)*times, err)
		at += uint64(n+skip) * times
		run.First += n + skip
		run.Count -= n + skip
	}
	return nil
}

// readRun reads the chunks of a run, each of which comes so often, and gives how many it got.
func (r *Giver) readRun(ctx context.Context, run format.Run, at uint64, want weave.Wants, m *vault.Meter, bad *badSpans) (n uint32, err error) {
	chunks := r.slabs.ReadWith(ctx, fetch.Inline([]format.Run{run}), fetch.ReadOptions{})
	defer chunks.Close()
	for left := run.Len(); left > 0; {
		b, err := chunks.NextBlock(left)
		if err != nil {
			return n, weave.OrDamage(err, "a run ends too early")
		}
		for i, id := range b.IDs {
			if is, ok := want(run.Slab, run.First+n+uint32(i)); ok && is != id {
				bad.add(at, b.Times, &fetch.SlabError{Slab: run.Slab, Frame: -1,
					Err: fmt.Errorf("%w: chunk %d is not what was captured", format.ErrDamaged, run.First+n+uint32(i))})
			}
			at += b.Times
		}
		left -= min(left, uint64(len(b.Lengths))*b.Times)
		if n += uint32(len(b.Lengths)); run.Times > 1 {
			n = 0 // the only one comes again
		}
		m.Tick(int64(uint64(len(b.Data)) * b.Times))
	}
	return run.Count, nil
}

// lossFinder follows a member list.
type lossFinder struct {
	*Losses
	bad        []badSpan
	state      map[string]error // by clean path, of files: what is wrong with the last one so far
	order      []string         // as found, with repetitions
	links      []hardLink
	unfinished bool
	last       *weave.Listed // the last entry, of an unfinished volume
}

type hardLink struct{ path, target string }

// note takes in the next entry.
func (f *lossFinder) note(e *weave.Listed) {
	if f.unfinished {
		f.last = e
	}
	if e.Member == nil {
		return
	}
	path := weave.CleanPath(e.Member.Path)
	var wrong error
	switch {
	case e.Member.Type == tarstream.Hardlink:
		target := weave.CleanPath(e.Member.Link)
		f.links = append(f.links, hardLink{path, target})
		if f.state[target] != nil {
			wrong = ErrLostTarget
		}
	case e.Chunks > 0:
		wrong = f.wrongOf(e.Chunk, e.Chunks)
		if wrong != nil {
			f.entries[e.Number] = true
		}
	}
	f.set(path, wrong)
}

func (f *lossFinder) set(path string, wrong error) {
	_, known := f.state[path]
	if wrong == nil && !known {
		return // whole, as most are
	}
	f.state[path] = wrong
	if wrong != nil {
		f.order = append(f.order, path)
	}
}

// wrongOf gives what is wrong with some chunks.
func (f *lossFinder) wrongOf(first, count uint64) error {
	i := sort.Search(len(f.bad), func(i int) bool { return f.bad[i].First+f.bad[i].Count > first })
	if i < len(f.bad) && f.bad[i].First < first+count {
		return f.bad[i].err
	}
	return nil
}

// end adds what follows from the whole list: a cut member, and links to what is lost only later.
func (f *lossFinder) end() {
	if e := f.last; e != nil && e.Member != nil && isCut(e) {
		f.set(weave.CleanPath(e.Member.Path), ErrCut)
		f.entries[e.Number] = true
	}
	for more := true; more; {
		more = false
		for _, l := range f.links {
			if f.state[l.target] != nil && f.state[l.path] == nil {
				f.set(l.path, ErrLostTarget)
				f.state[l.path], more = ErrLostTarget, true
				f.order = append(f.order, l.path)
			}
		}
	}
	for _, path := range f.order {
		if err := f.state[path]; err != nil && !f.lost[path] {
			f.lost[path] = true
			f.Members = append(f.Members, Lost{path, err})
		}
	}
}

// isCut tells whether the content of the last entry of an unfinished stream is shorter than its
// header says.
func isCut(e *weave.Listed) bool {
	h, err := tar.NewReader(bytes.NewReader(e.Head[e.Skip:])).Next()
	return err != nil || e.Member.Sparse || uint64(h.Size) != e.Length && e.Member.Type == tarstream.File
}

// WriteWhole writes a tar stream of the members that match accepts, without those that are lost,
// and gives their number: there may be none.
func (r *Giver) WriteWhole(ctx context.Context, v *ledger.Volume, l *Losses, match func(path string) bool, w io.Writer, m *vault.Meter) (int, error) {
	whole := func(path string) bool { return !l.lost[path] && (match == nil || match(path)) }
	list := func(yield func(*weave.Listed, error) bool) {
		for e, err := range r.listingOf(ctx, v, l) {
			if (err != nil || !l.entries[e.Number]) && !yield(e, err) {
				return
			}
		}
	}
	n, err := r.writeMembers(ctx, v, list, &selection{match: whole, noDangling: true}, w, m)
	switch {
	case errors.Is(err, vault.ErrNotFound) && n == 0:
		err = writeAll(w, make([]byte, 2*tarBlock))
	case errors.Is(err, ErrUnproved):
		err = nil // Losses says so
	}
	return n, r.OrMoved(ctx, v, err)
}
