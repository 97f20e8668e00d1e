package give

import (
	"context"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"math"
	"sync/atomic"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// OpenMember opens the content of one member.
func (r *Giver) OpenMember(ctx context.Context, v *ledger.Volume, path string) (*tarstream.Member, io.ReadCloser, error) {
	m, content, err := r.openContent(ctx, v, path)
	return m, content, r.OrMoved(ctx, v, err)
}

func (r *Giver) openContent(ctx context.Context, v *ledger.Volume, path string) (*tarstream.Member, io.ReadCloser, error) {
	l, err := r.findMember(ctx, v, path, math.MaxInt)
	for links := 0; err == nil && l.Member.Type == tarstream.Hardlink; links++ {
		if links == mostLinks {
			return nil, nil, fmt.Errorf("member %q: %w: more than %d hard links lead to each other", path, vault.ErrNotFound, mostLinks)
		}
		l, err = r.findMember(ctx, v, l.Member.Link, l.Number) // what it was where the link stands
	}
	if err != nil {
		return nil, nil, err
	}
	if l.Member.Type != tarstream.File {
		return nil, nil, fmt.Errorf("content of %q: %w: it is a %s", path, vault.ErrNotFound, l.Member.Type)
	}
	ctx, cancel := context.WithCancel(ctx)
	content, err := r.contentOf(ctx, v, func(yield func(weave.Span) bool) { yield(weave.Span{First: l.Chunk, Count: l.Chunks}) })
	if err != nil {
		cancel()
		return nil, nil, fmt.Errorf("member %q: %w", path, err)
	}
	if !v.Tar {
		return l.Member, &memberReader{r: r, v: v, ctx: ctx, in: fetch.Bytes(content.Next), content: content, cancel: cancel, path: path}, nil
	}
	in, err := tarstream.Expand(l.Head, int64(l.Length), fetch.Bytes(content.Next))
	if err != nil {
		cancel()
		content.Close()
		return nil, nil, fmt.Errorf("member %q: %w: %w", path, format.ErrDamaged, err)
	}
	return l.Member, &memberReader{r: r, v: v, ctx: ctx, in: in, content: content, cancel: cancel, path: path}, nil
}

// findMember gives the last member of a path among the entries before one.
func (r *Giver) findMember(ctx context.Context, v *ledger.Volume, path string, before int) (*weave.Listed, error) {
	var found *weave.Listed
	for l, err := range r.reader.Listing(ctx, v) {
		if err != nil {
			return nil, err
		}
		if l.Number >= before {
			break
		}
		if l.Member != nil && weave.CleanPath(l.Member.Path) == weave.CleanPath(path) {
			found = l
		}
	}
	if found == nil {
		return nil, fmt.Errorf("member %q: %w", path, vault.ErrNotFound)
	}
	return found, nil
}

type memberReader struct {
	r       *Giver
	v       *ledger.Volume
	ctx     context.Context
	in      io.Reader
	content *chosen
	cancel  context.CancelFunc
	path    string
	closed  atomic.Bool
}

// Read heeds the context also within a hole, which may be of exabytes.
func (m *memberReader) Read(p []byte) (n int, err error) {
	if m.closed.Load() {
		return 0, fmt.Errorf("member %q: %w", m.path, fs.ErrClosed)
	}
	if err := m.r.vault.Open(); err != nil {
		return 0, fmt.Errorf("member %q: %w", m.path, err)
	}
	defer vault.NoteEnd(m.ctx, &err)
	if m.ctx.Err() != nil {
		return 0, context.Cause(m.ctx)
	}
	n, err = m.in.Read(p)
	if err == io.EOF && m.content.unproved != nil {
		err = m.content.unproved
	}
	if vault.IsDamage(err) {
		err = fmt.Errorf("member %q: %w", m.path, err)
	}
	return n, m.r.OrMoved(m.ctx, m.v, err)
}

// Close waits until nothing is read ahead any more.
func (m *memberReader) Close() error {
	m.closed.Store(true)
	m.cancel()
	return m.content.Close()
}

// chosen reads some of the chunks of a volume's contents.
type chosen struct {
	*fetch.Reader
	unproved error // why nothing shows that they are what was captured; nil: each is held against that
}

// contentOf reads some of the chunks of a volume's contents: spans in ascending
// order. Each chunk is there until the next is asked for.
func (r *Giver) contentOf(ctx context.Context, v *ledger.Volume, spans iter.Seq[weave.Span]) (*chosen, error) {
	contents := weave.OrEmpty(v.Contents)
	proved, err := r.prove(ctx, contents)
	if err != nil {
		return nil, err
	}
	runs := fetch.Inline(nil)
	if v.Contents != nil {
		runs = pick(r.slabs.Runs(ctx, contents), spans)
	}
	return &chosen{r.slabs.ReadWith(ctx, runs, fetch.ReadOptions{Want: proved.want, Lend: true}), proved.err}, nil
}

// pick gives the parts of runs that spans name.
func pick(runs fetch.Runs, spans iter.Seq[weave.Span]) fetch.Runs {
	return func(yield func(format.Run, error) bool) {
		next, stop := iter.Pull2(runs)
		defer stop()
		var run format.Run
		var at uint64 // number of the chunk that run begins with
		for s := range spans {
			for s.Count > 0 {
				for at+run.Len() <= s.First {
					at += run.Len()
					r, err, ok := next()
					if !ok {
						err = fmt.Errorf("%w: the recipe has no chunk %d", format.ErrDamaged, s.First)
					}
					if err != nil {
						yield(format.Run{}, err)
						return
					}
					run = r
				}
				part := weave.CutOut(run, s.First-at, s.Count)
				if !yield(part, nil) {
					return
				}
				s.First += part.Len()
				s.Count -= part.Len()
			}
		}
	}
}
