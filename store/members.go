package store

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"sync/atomic"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// Member is one member of a volume.
type Member = tarstream.Member

// Members lists the members of a volume in the order of its stream, without
// reading their contents. A sequence that ends with an error ends there. A
// volume that is no tar stream has one member, named by the volume's Source or
// Name.
func (r *Repository) Members(ctx context.Context, v *Volume) iter.Seq2[*Member, error] {
	return func(yield func(*Member, error) bool) {
		if err := cmp.Or(r.open(), r.owns(v)); err != nil {
			yield(nil, err)
			return
		}
		kept := v.captured()
		for e, err := range r.reader.Listing(ctx, kept) {
			if err == nil {
				err = r.open()
			}
			if err != nil {
				err = r.orMoved(ctx, kept, err)
				noteEnd(ctx, &err)
				yield(nil, err)
				return
			}
			if e.Member != nil && !yield(e.Member, nil) {
				return
			}
		}
	}
}

// OpenMember reads the content of one member as it was before it became a
// member: the holes of a sparse file are filled with zeros, and a hard link is
// followed. Of several members of that path the last counts, as for tar. The
// content must be closed. Only frames that hold the content, the member list and tables
// are read, unless the tables are lost or say what does not fit: then all contents of the
// volume are.
//
// Every chunk is held against what was captured: reading fails with ErrDamaged at one that
// is another, and with ErrUnproved at the end where nothing tells.
//
// It fails with ErrNotFound, also for what has no content, such as a folder. Like
// the reading of the content it fails with ErrMoved as Restore does.
func (r *Repository) OpenMember(ctx context.Context, v *Volume, path string) (m *Member, content io.ReadCloser, err error) {
	defer noteEnd(ctx, &err)
	if err := r.open(); err != nil {
		return nil, nil, err
	}
	if err := r.owns(v); err != nil {
		return nil, nil, err
	}
	m, content, err = r.openMember(ctx, v.captured(), path)
	return m, content, r.orMoved(ctx, v.captured(), err)
}

func (r *Repository) openMember(ctx context.Context, v *ledger.Volume, path string) (*Member, io.ReadCloser, error) {
	l, err := r.findMember(ctx, v, path)
	if err == nil && l.Member.Type == tarstream.Hardlink {
		l, err = r.findMember(ctx, v, l.Member.Link)
	}
	if err != nil {
		return nil, nil, err
	}
	if l.Member.Type != tarstream.File {
		return nil, nil, fmt.Errorf("content of %q: %w: it is a %s", path, ErrNotFound, l.Member.Type)
	}
	ctx, cancel := context.WithCancel(ctx)
	content, err := r.contentOf(ctx, v, func(yield func(span) bool) { yield(span{l.Chunk, l.Chunks}) })
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
		return nil, nil, fmt.Errorf("member %q: %w: %w", path, ErrDamaged, err)
	}
	return l.Member, &memberReader{r: r, v: v, ctx: ctx, in: in, content: content, cancel: cancel, path: path}, nil
}

func (r *Repository) findMember(ctx context.Context, v *ledger.Volume, path string) (*weave.Listed, error) {
	var found *weave.Listed
	for l, err := range r.reader.Listing(ctx, v) {
		if err != nil {
			return nil, err
		}
		if l.Member != nil && CleanPath(l.Member.Path) == CleanPath(path) {
			found = l
		}
	}
	if found == nil {
		return nil, fmt.Errorf("member %q: %w", path, ErrNotFound)
	}
	return found, nil
}

type memberReader struct {
	r       *Repository
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
	if err := m.r.open(); err != nil {
		return 0, fmt.Errorf("member %q: %w", m.path, err)
	}
	defer noteEnd(m.ctx, &err)
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
	return n, m.r.orMoved(m.ctx, m.v, err)
}

// Close waits until nothing is read ahead any more.
func (m *memberReader) Close() error {
	m.closed.Store(true)
	m.cancel()
	return m.content.Close()
}

// span is a number of consecutive chunks of a stream.
type span struct{ first, count uint64 }

// chosen reads some of the chunks of a volume's contents.
type chosen struct {
	*fetch.Reader
	unproved error // why nothing shows that they are what was captured; nil: each is held against that
}

// contentOf reads some of the chunks of a volume's contents: spans in ascending
// order. Each chunk is there until the next is asked for.
func (r *Repository) contentOf(ctx context.Context, v *ledger.Volume, spans iter.Seq[span]) (*chosen, error) {
	contents := weave.OrEmpty(v.Contents)
	proof, err := r.prove(ctx, contents)
	if err != nil {
		return nil, err
	}
	runs := fetch.Inline(nil)
	if v.Contents != nil {
		runs = pick(r.slabs.Runs(ctx, contents), spans)
	}
	return &chosen{r.slabs.ReadWith(ctx, runs, fetch.ReadOptions{Want: proof.want, Lend: true}), proof.err}, nil
}

// pick gives the parts of runs that spans name.
func pick(runs fetch.Runs, spans iter.Seq[span]) fetch.Runs {
	return func(yield func(format.Run, error) bool) {
		next, stop := iter.Pull2(runs)
		defer stop()
		var run format.Run
		var at uint64 // number of the chunk that run begins with
		for s := range spans {
			for s.count > 0 {
				for at+run.Len() <= s.first {
					at += run.Len()
					r, err, ok := next()
					if !ok {
						err = fmt.Errorf("%w: the recipe has no chunk %d", ErrDamaged, s.first)
					}
					if err != nil {
						yield(format.Run{}, err)
						return
					}
					run = r
				}
				part := cutOut(run, s.first-at, s.count)
				if !yield(part, nil) {
					return
				}
				s.first += part.Len()
				s.count -= part.Len()
			}
		}
	}
}

// cutOut gives the part of a run that begins skip chunks on, of at most count
// chunks.
func cutOut(run format.Run, skip, count uint64) format.Run {
	n := uint32(min(count, run.Len()-skip))
	if run.Times > 1 {
		run.Times = n
		return run
	}
	run.First += uint32(skip)
	run.Count = n
	return run
}
