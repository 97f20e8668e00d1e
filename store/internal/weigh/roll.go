package weigh

import (
	"context"
	"fmt"
	"io"
	"slices"
	"sort"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/weave"
)

// roll is a member list that was read. One that is much like it is read by it: what both
// have alike, by equal chunks, is neither read nor decoded again.
type roll struct {
	entries      []rolled
	marks        []weave.Mark // before each entry, and behind the last
	list, stamps *weave.Laid  // nil: they can't be laid out
	tar          bool
	global       bool // headers say something of all members behind them
}

// rolled is an entry of a roll.
type rolled struct {
	member         *tarstream.Member // nil for bytes that no member describes
	path           string            // clean
	chunks, length uint64            // of its content
	wanted         bool              // by whoever reads
}

// rolling reads rolls.
type rolling struct {
	r      *Scales
	index  *known.Index
	wanted func(path string) bool // asked once for what several rolls have alike; nil: all
}

// read reads the member list of a volume, by another roll if that is set. Where it fails, the
// roll has the entries before the damage that are proved.
func (g *rolling) read(ctx context.Context, v *ledger.Volume, like *roll) (*roll, error) {
	out := &roll{tar: v.Tar}
	var err error
	if out.list, err = g.r.reader.Lay(ctx, g.index, &v.MemberList); err != nil {
		return out, fmt.Errorf("member list: %w", err)
	}
	if out.stamps, err = g.r.reader.Lay(ctx, g.index, weave.OrEmpty(v.Stamps)); err != nil {
		return out, fmt.Errorf("stamps: %w", err)
	}
	if out.list == nil || out.stamps == nil {
		return g.plain(ctx, v)
	}
	f := &follower{rolling: g, ctx: ctx, out: out, walk: weave.NewListWalk(v)}
	if like != nil && like.list != nil && like.tar && !like.global && v.Tar {
		f.like, f.lists, f.stamps = like, weave.SharedParts(ctx, like.list, out.list), weave.SharedParts(ctx, like.stamps, out.stamps)
	}
	defer f.close()
	if f.like == nil {
		err = f.whole()
	} else {
		err = f.run()
	}
	if err == errGlobal {
		return g.read(ctx, v, nil)
	}
	return out, err
}

// plain reads a list that the tables don't prove.
func (g *rolling) plain(ctx context.Context, v *ledger.Volume) (*roll, error) {
	out := &roll{}
	for l, err := range g.r.reader.Listing(ctx, v) {
		if err != nil {
			return &roll{}, err
		}
		out.entries = append(out.entries, g.rolled(l))
	}
	return out, nil
}

func (g *rolling) rolled(l *weave.Listed) rolled {
	e := rolled{member: l.Member, chunks: l.Chunks, length: l.Length}
	if e.member != nil {
		e.path = weave.CleanPath(e.member.Path)
		e.wanted = g.wanted == nil || g.wanted(e.path)
	}
	return e
}

// errGlobal means that headers, which other lists have too, mean something else here.
var errGlobal = fmt.Errorf("global headers")

// follower reads a list that is laid out.
type follower struct {
	*rolling
	ctx           context.Context
	out           *roll
	walk          *weave.ListWalk
	like          *roll // nil: there is none
	lists, stamps []weave.Shared
	at            weave.Mark
	in            *weave.EntryReader // nil: to be opened at that place
}

func (f *follower) close() {
	if f.in != nil {
		f.in.Close()
		f.in = nil
	}
}

func (f *follower) run() error {
	f.out.marks = append(f.out.marks, f.at)
	for f.at.List < f.out.list.Len() {
		if f.ctx.Err() != nil {
			return context.Cause(f.ctx)
		}
		first, count := f.known()
		var err error
		if count > 0 {
			err = f.pass(first, count)
		} else {
			err = f.next()
		}
		if err != nil {
			return err
		}
	}
	if f.at.Stamps != f.out.stamps.Len() {
		return fmt.Errorf("member list: %w: stamps that no member has", format.ErrDamaged)
	}
	f.out.global = f.walk.Global()
	return nil
}

// batch is how many entries are read ahead at once.
const batch = 128

// readEntry is an entry, and the place behind it.
type readEntry struct {
	entry weave.Entry
	at    weave.Mark
}

// whole reads all entries: one core decodes them while another one reads them.
func (f *follower) whole() error {
	ctx, cancel := context.WithCancel(f.ctx)
	batches := make(chan []readEntry, 4)
	var failed error // set before batches is closed
	go func() {
		defer close(batches)
		failed = f.ahead(ctx, batches)
	}()
	defer func() {
		cancel()
		for range batches { // until nothing reads any more
		}
	}()
	f.out.marks = append(f.out.marks, f.at)
	for some := range batches {
		for i := range some {
			if err := f.add(some[i]); err != nil {
				return err
			}
		}
	}
	if failed != nil {
		return failed
	}
	f.out.global = f.walk.Global()
	return nil
}

// ahead reads all entries.
func (f *follower) ahead(ctx context.Context, batches chan<- []readEntry) error {
	in := weave.LaidEntries(ctx, f.out.list, f.out.stamps, weave.Mark{})
	defer in.Close()
	for {
		some := make([]readEntry, 0, batch)
		var err error
		for len(some) < batch && err == nil {
			var e weave.Entry
			if e, err = in.Next(); err == nil {
				some = append(some, readEntry{e, in.At()})
			}
		}
		select {
		case batches <- some:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
		switch {
		case err == io.EOF:
			return nil
		case err != nil:
			return err
		}
	}
}

// add takes an entry that was read.
func (f *follower) add(e readEntry) error {
	l, err := f.walk.Next(e.entry)
	if err != nil {
		return err
	}
	f.at = e.at
	f.out.entries, f.out.marks = append(f.out.entries, f.rolled(l)), append(f.out.marks, f.at)
	return nil
}

// known gives the entries of the other roll that come next here, too.
func (f *follower) known() (first, count int) {
	part, ok := weave.Shares(f.lists, f.at.List)
	if !ok {
		return 0, 0
	}
	marks := f.like.marks
	at := weave.Mark{List: part.A + f.at.List - part.B}
	first = sort.Search(len(marks), func(i int) bool { return marks[i].List >= at.List })
	if first == len(marks) || marks[first].List != at.List {
		return 0, 0
	}
	end := weave.Mark{List: part.A + part.Len, Stamps: marks[first].Stamps}
	if s, ok := weave.Shares(f.stamps, f.at.Stamps); ok && s.A+f.at.Stamps-s.B == end.Stamps {
		end.Stamps = s.A + s.Len
	}
	return first, sort.Search(len(marks)-first-1, func(n int) bool {
		m := marks[first+n+1]
		return m.List > end.List || m.Stamps > end.Stamps
	})
}

// pass takes over entries of the other roll.
func (f *follower) pass(first, count int) error {
	f.close()
	f.out.entries = slices.Grow(f.out.entries, count)
	f.out.marks = slices.Grow(f.out.marks, count)
	from, to := f.like.marks[first], f.at
	for i := first; i < first+count; i++ {
		e, behind := f.like.entries[i], f.like.marks[i+1]
		if err := f.walk.Pass(e.chunks, e.length); err != nil {
			return err
		}
		f.at = weave.Mark{List: to.List + behind.List - from.List, Stamps: to.Stamps + behind.Stamps - from.Stamps}
		f.out.entries, f.out.marks = append(f.out.entries, e), append(f.out.marks, f.at)
	}
	return nil
}

// next reads an entry.
func (f *follower) next() error {
	if f.in == nil {
		f.in = weave.LaidEntries(f.ctx, f.out.list, f.out.stamps, f.at)
	}
	e, err := f.in.Next()
	if err == io.EOF {
		err = fmt.Errorf("member list: %w: it ends too early", format.ErrDamaged)
	}
	if err != nil {
		return err
	}
	if err := f.add(readEntry{e, f.in.At()}); err != nil {
		return err
	}
	if f.walk.Global() {
		return errGlobal
	}
	return nil
}
