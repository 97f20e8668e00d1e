package give

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
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// Opened is the member list of a volume, read once, to be asked again and again.
type Opened struct {
	r       *Giver
	v       *ledger.Volume
	members []listedMember
	byPath  map[string]int // clean path: the last member that has it
	links   map[int]int    // hard link: the member that it is another name of

	mu       sync.Mutex
	contents *openedContents // nil until a member is opened
}

// listedMember is a member, and where its content is.
type listedMember struct {
	*tarstream.Member
	chunk, chunks uint64 // of the volume's contents
	length        uint64 // of the content as stored
	head          []byte // of a sparse one: the whole header
}

// OpenVolume reads the member list of a volume.
func (r *Giver) OpenVolume(ctx context.Context, v *ledger.Volume) (*Opened, error) {
	l := &Opened{r: r, v: v, byPath: make(map[string]int), links: make(map[int]int)}
	var names weave.Names
	for e, err := range r.reader.Listing(ctx, l.v) {
		if err != nil {
			return nil, r.OrMoved(ctx, l.v, err)
		}
		if e.Member == nil {
			continue
		}
		m := listedMember{Member: e.Member, chunk: e.Chunk, chunks: e.Chunks, length: e.Length}
		if m.Sparse {
			m.head = slices.Clone(e.Head)
		}
		path := weave.CleanPath(m.Path)
		l.byPath[path] = len(l.members)
		if of, ok := names.Note(len(l.members), path, m.Member); ok && of != len(l.members) {
			l.links[len(l.members)] = of
		}
		l.members = append(l.members, m)
	}
	return l, nil
}

// Count gives the number of members.
func (l *Opened) Count() int { return len(l.members) }

// All gives the members in the order of the stream.
func (l *Opened) All() iter.Seq[*tarstream.Member] {
	return func(yield func(*tarstream.Member) bool) {
		for i := range l.members {
			if !yield(l.members[i].Member) {
				return
			}
		}
	}
}

// Member gives the member of a path.
func (l *Opened) Member(path string) (*tarstream.Member, error) {
	if i, ok := l.byPath[weave.CleanPath(path)]; ok {
		return l.members[i].Member, nil
	}
	return nil, fmt.Errorf("member %q: %w", path, vault.ErrNotFound)
}

// Content opens the content of a member.
func (l *Opened) Content(ctx context.Context, path string) (*File, error) {
	f, err := l.open(ctx, path)
	return f, l.r.OrMoved(ctx, l.v, err)
}

func (l *Opened) open(ctx context.Context, path string) (*File, error) {
	if err := l.r.vault.Open(); err != nil {
		return nil, err
	}
	i, ok := l.byPath[weave.CleanPath(path)]
	if !ok {
		return nil, fmt.Errorf("member %q: %w", path, vault.ErrNotFound)
	}
	if of, linked := l.links[i]; linked {
		i = of
	}
	m := &l.members[i]
	if m.Type != tarstream.File {
		return nil, fmt.Errorf("content of %q: %w: it is a %s", path, vault.ErrNotFound, m.Type)
	}
	f, err := l.openFile(ctx, m)
	if err != nil {
		return nil, fmt.Errorf("member %q: %w", path, err)
	}
	return f, nil
}

// openedContents are the runs of a stream, mostly a volume's contents, and what their chunks must be.
type openedContents struct {
	runs   []format.Run
	chunks []uint64 // number of the chunk that each run begins with
	proof  *proof
}

// prepared gives the contents, read at the first call that succeeds.
func (l *Opened) prepared(ctx context.Context) (*openedContents, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.contents != nil {
		return l.contents, nil
	}
	c, err := l.r.openStream(ctx, weave.OrEmpty(l.v.Contents))
	if err != nil {
		return nil, err
	}
	l.contents = c
	return c, nil
}

// openStream reads what it takes to read any chunk of a stream.
func (r *Giver) openStream(ctx context.Context, recipe *format.Recipe) (*openedContents, error) {
	c := &openedContents{}
	var err error
	if c.proof, err = r.prove(ctx, recipe); err != nil {
		return nil, err
	}
	at := uint64(0)
	for run, err := range r.slabs.Runs(ctx, recipe) {
		if err != nil {
			return nil, err
		}
		c.runs, c.chunks = append(c.runs, run), append(c.chunks, at)
		at += run.Len()
	}
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
			return nil, fmt.Errorf("%w: the recipe has no chunk %d", format.ErrDamaged, first)
		}
		part := weave.CutOut(c.runs[i], first-c.chunks[i], count)
		runs = append(runs, part)
		first += part.Len()
		count -= part.Len()
	}
	return runs, nil
}

// lengthOf gives the length of a chunk: as it is proved, or else as its slab says.
func (r *Giver) lengthOf(ctx context.Context, c *openedContents, slab format.SlabID, n uint32) (int64, error) {
	if c.proof.length != nil {
		if length, ok := c.proof.length(slab, n); ok && length > 0 {
			return int64(length), nil
		}
	}
	opened, err := r.slabs.Open(ctx, slab)
	if err != nil {
		return 0, err
	}
	length, ok := opened.ChunkLength(n)
	if !ok || length == 0 {
		return 0, &fetch.SlabError{Slab: slab, Frame: -1, Err: fmt.Errorf("%w: it has no chunk %d", format.ErrDamaged, n)}
	}
	return int64(length), nil
}
