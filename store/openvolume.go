package store

import (
	"context"
	"fmt"
	"iter"
	"slices"
	"sync"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/weave"
)

// OpenedVolume is the member list of a volume, read once, to be asked again and again. It holds no
// file open and needs no closing; it serves as long as its Repository is open. Its methods may
// be called by several goroutines at once.
//
// Its memory is some 350 bytes a member with a short path, more by long paths and attributes; the
// whole header of a member that the tar stream stores as sparse; and, from the first Open, 40 bytes a
// run of the volume's contents and 36 a chunk of the slabs in which they lie.
type OpenedVolume struct {
	r       *Repository
	v       *ledger.Volume
	members []listedMember
	byPath  map[string]int // clean path: the last member that has it

	mu       sync.Mutex
	contents *openedContents // nil until a member is opened
}

// listedMember is a member, and where its content is.
type listedMember struct {
	*Member
	chunk, chunks uint64 // of the volume's contents
	length        uint64 // of the content as stored
	head          []byte // of a sparse one: the whole header
}

// OpenVolume reads the member list of a volume, for whoever asks for many members: what
// OpenMember reads each time is read once. No contents are read.
//
// It fails with ErrDamaged, naming the object, and with ErrMoved as Restore does.
func (r *Repository) OpenVolume(ctx context.Context, v *Volume) (_ *OpenedVolume, err error) {
	defer noteEnd(ctx, &err)
	if err := r.ready(v); err != nil {
		return nil, err
	}
	l := &OpenedVolume{r: r, v: v.captured(), byPath: make(map[string]int)}
	for e, err := range r.reader.Listing(ctx, l.v) {
		if err != nil {
			return nil, r.orMoved(ctx, l.v, err)
		}
		if e.Member == nil {
			continue
		}
		m := listedMember{Member: e.Member, chunk: e.Chunk, chunks: e.Chunks, length: e.Length}
		if m.Sparse {
			m.head = slices.Clone(e.Head)
		}
		l.byPath[CleanPath(m.Path)] = len(l.members)
		l.members = append(l.members, m)
	}
	return l, nil
}

// Len gives the number of members.
func (l *OpenedVolume) Len() int { return len(l.members) }

// Members gives the members in the order of the stream, as Repository.Members does. They are
// the listing's own, and not to be changed.
func (l *OpenedVolume) Members() iter.Seq[*Member] {
	return func(yield func(*Member) bool) {
		for i := range l.members {
			if !yield(l.members[i].Member) {
				return
			}
		}
	}
}

// Find gives the member of a path, compared in the form of CleanPath; the last where several
// have it, as for tar. A hard link is given as such. It is the listing's own, and not to be changed. It
// fails with ErrNotFound.
func (l *OpenedVolume) Find(path string) (*Member, error) {
	m, err := l.find(path)
	if err != nil {
		return nil, err
	}
	return m.Member, nil
}

func (l *OpenedVolume) find(path string) (*listedMember, error) {
	if i, ok := l.byPath[CleanPath(path)]; ok {
		return &l.members[i], nil
	}
	return nil, fmt.Errorf("member %q: %w", path, ErrNotFound)
}

// Open opens the content of a member, as it was before it became one: as OpenMember does, but
// that any part of it can be read. A hard link is followed, and the holes of a sparse file read as
// zeros. Reading heeds ctx until the file is closed, which it must be.
//
// The first call reads the tables, and the list of runs if it is long; others read nothing before
// contents are asked for.
//
// It fails with ErrNotFound, also for what has no content, such as a folder; with ErrDamaged; and
// with ErrMoved as Restore does: open the volume of the capture again then.
func (l *OpenedVolume) Open(ctx context.Context, path string) (*MemberFile, error) {
	f, err := l.open(ctx, path)
	return f, l.r.orMoved(ctx, l.v, err)
}

func (l *OpenedVolume) open(ctx context.Context, path string) (*MemberFile, error) {
	m, err := l.find(path)
	if err == nil && m.Type == tarstream.Hardlink {
		m, err = l.find(m.Link)
	}
	if err != nil {
		return nil, err
	}
	if m.Type != tarstream.File {
		return nil, fmt.Errorf("content of %q: %w: it is a %s", path, ErrNotFound, m.Type)
	}
	f, err := l.openFile(ctx, m)
	if err != nil {
		return nil, fmt.Errorf("member %q: %w", path, err)
	}
	return f, nil
}

// openedContents are the runs of a volume's contents, and what their chunks must be.
type openedContents struct {
	runs   []format.Run
	chunks []uint64 // number of the chunk that each run begins with
	proof  *proof
}

// prepared gives the contents, read at the first call that succeeds.
func (l *OpenedVolume) prepared(ctx context.Context) (*openedContents, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.contents != nil {
		return l.contents, nil
	}
	recipe := weave.OrEmpty(l.v.Contents)
	c := &openedContents{}
	var err error
	if c.proof, err = l.r.prove(ctx, recipe); err != nil {
		return nil, err
	}
	at := uint64(0)
	for run, err := range l.r.slabs.Runs(ctx, recipe) {
		if err != nil {
			return nil, err
		}
		c.runs, c.chunks = append(c.runs, run), append(c.chunks, at)
		at += run.Len()
	}
	l.contents = c
	return c, nil
}

// cut gives the runs of some consecutive chunks.
func (c *openedContents) cut(first, count uint64) (runs []format.Run, err error) {
	i, exact := slices.BinarySearch(c.chunks, first)
	if !exact {
		i--
	}
	for ; count > 0; i++ {
		if i < 0 || i >= len(c.runs) || first-c.chunks[i] >= c.runs[i].Len() {
			return nil, fmt.Errorf("%w: the recipe has no chunk %d", ErrDamaged, first)
		}
		part := cutOut(c.runs[i], first-c.chunks[i], count)
		runs = append(runs, part)
		first += part.Len()
		count -= part.Len()
	}
	return runs, nil
}

// lengthOf gives the length of a chunk: as it is proved, or else as its slab says.
func (l *OpenedVolume) lengthOf(ctx context.Context, c *openedContents, slab format.SlabID, n uint32) (int64, error) {
	if c.proof.length != nil {
		if length, ok := c.proof.length(slab, n); ok && length > 0 {
			return int64(length), nil
		}
	}
	opened, err := l.r.slabs.Open(ctx, slab)
	if err != nil {
		return 0, err
	}
	length, ok := opened.ChunkLength(n)
	if !ok || length == 0 {
		return 0, &fetch.SlabError{Slab: slab, Frame: -1, Err: fmt.Errorf("%w: it has no chunk %d", ErrDamaged, n)}
	}
	return int64(length), nil
}
