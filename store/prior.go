package store

import (
	"cmp"
	"context"
	"iter"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/volume"
)

// prior goes through the latest capture of a folder beside a new walk over it:
// both are in the same order. Its methods work on nil, which has nothing.
//
// Whatever goes wrong only ends the taking over: the files are then read.
type prior struct {
	r      *Repository
	index  *known.Index
	cancel context.CancelFunc
	ctx    context.Context

	members <-chan []*priorMember
	read    chan struct{}               // closed when nothing reads members any more
	places  func() (place, error, bool) // of the contents' chunks, in order
	stop    func()

	batch  []*priorMember // that have come, after now
	now    *priorMember   // where the reading is; nil at the end
	passed bool           // the chunks of now have been gone through
}

// priorMember is a member of the capture before.
type priorMember struct {
	entry  entry // without the padding of the content before
	member *Member
	state  format.State
	chunks []priorChunk
}

type priorChunk struct {
	ref    known.Ref
	length int
}

// place is where a chunk lies.
type place struct {
	slab  format.SlabID
	chunk uint32
}

// openPrior gives the latest capture of the same folder, or nil.
func (s *session) openPrior(ctx context.Context, v VolumeInput) *prior {
	record := s.findDraft(v)
	if record == nil {
		captures, _ := s.r.Captures(ctx) // without damaged ones
		record = findPrior(captures, s.o, v)
	}
	if record == nil {
		return nil
	}
	ctx, cancel := context.WithCancel(ctx)
	members := make(chan []*priorMember, 4)
	p := &prior{r: s.r, index: s.index, ctx: ctx, cancel: cancel, members: members, read: make(chan struct{})}
	go func() {
		defer close(p.read)
		defer close(members)
		s.r.readPrior(ctx, record, members)
	}()
	runs := fetch.Runs(func(func(format.Run, error) bool) {})
	if record.Contents != nil {
		runs = s.r.slabs.Runs(ctx, record.Contents)
	}
	p.places, p.stop = iter.Pull2(placesOf(ctx, runs))
	p.advance()
	return p
}

// findDraft gives the folder as it was drafted, or nil.
func (s *session) findDraft(v VolumeInput) *format.Volume {
	if s.o.After == nil {
		return nil
	}
	return findPrior([]*Capture{newCapture(s.o.After.file, 0)}, s.o, v)
}

func findPrior(captures []*Capture, o CaptureOptions, v VolumeInput) *format.Volume {
	for i := len(captures) - 1; i >= 0; i-- {
		c := captures[i]
		if c.Name != o.Name || c.Host != o.Host {
			continue
		}
		for j := range c.Volumes {
			if r := c.Volumes[j].record; r.States != nil && r.Source == v.Source && r.Name == v.Name {
				return r
			}
		}
	}
	return nil
}

// placesOf gives the chunks of runs one by one, as many as they stand for.
func placesOf(ctx context.Context, runs fetch.Runs) iter.Seq2[place, error] {
	return func(yield func(place, error) bool) {
		for run, err := range runs {
			if err != nil {
				yield(place{}, err)
				return
			}
			for range run.Times {
				for n := range run.Count {
					if ctx.Err() != nil {
						yield(place{}, context.Cause(ctx))
						return
					}
					if !yield(place{run.Slab, run.First + n}, nil) {
						return
					}
				}
			}
		}
	}
}

func (p *prior) close() {
	if p != nil {
		p.cancel()
		p.stop()
		<-p.read
	}
}

// find gives the member of that path if it was in that state, and its chunks are
// there. Paths are asked for in the order of the walk.
func (p *prior) find(path string, state *volume.State) *priorMember {
	if p == nil {
		return nil
	}
	for p.now != nil && comparePaths(p.now.member.Path, path) < 0 {
		p.advance()
	}
	if p.now == nil || p.now.member.Path != path || !p.now.same(state) {
		return nil
	}
	found := p.now
	p.passed = true
	if !p.locate(found) {
		return nil
	}
	return found
}

// same tells whether a member is as it was.
func (m *priorMember) same(is *volume.State) bool {
	was := m.member
	return m.state == newState(is) && was.Modified.UnixNano() == is.Modified &&
		was.Mode.Type() == is.Kind && unixMode(was.Mode) == is.Perm && (is.Kind != 0 || was.Size == is.Size) &&
		was.UID == is.UID && was.GID == is.GID && was.User == is.User && was.Group == is.Group &&
		was.Type != tarstream.Hardlink
}

// comparePaths orders paths as a walk meets them: folder by folder, names by
// their bytes. No name holds a byte zero.
func comparePaths(a, b string) int {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return cmp.Compare(rank(a[i]), rank(b[i]))
		}
	}
	return cmp.Compare(len(a), len(b))
}

// rank puts the slash before all other bytes.
func rank(c byte) int {
	if c == '/' {
		return -1
	}
	return int(c)
}

// advance goes on to the next member.
func (p *prior) advance() {
	if p.now != nil && !p.passed {
		for range p.now.entry.chunks {
			if _, err, ok := p.places(); err != nil || !ok {
				p.now = nil
				return
			}
		}
	}
	p.passed, p.now = false, nil
	if len(p.batch) == 0 {
		p.batch = <-p.members // closed when ctx is done
	}
	if len(p.batch) > 0 {
		p.now, p.batch = p.batch[0], p.batch[1:]
	}
}

// readPrior reads the members of a volume with their states, some ahead, until
// something goes wrong.
func (r *Repository) readPrior(ctx context.Context, v *format.Volume, out chan<- []*priorMember) {
	entries := r.readEntries(ctx, v)
	defer entries.close()
	states := r.slabs.Stream(ctx, v.States)
	defer states.Close()
	l := &priorList{entries: entries, states: format.NewStateReader(fetch.Bytes(states.Next))}
	for {
		batch := make([]*priorMember, 0, 128)
		for len(batch) < cap(batch) {
			m := l.next()
			if m == nil {
				break
			}
			batch = append(batch, m)
		}
		if len(batch) == 0 {
			return
		}
		select {
		case out <- batch:
		case <-ctx.Done():
			return
		}
	}
}

// priorList reads members with their states.
type priorList struct {
	entries *entryReader
	states  *format.StateReader
	decoder tarstream.Decoder
	before  uint64 // length of the content before
}

// next gives the next member, or nil after the last and where something is wrong.
func (l *priorList) next() *priorMember {
	e, err := l.entries.next()
	if err != nil || e.kind != tarstream.Entry || padding(l.before) > len(e.rest) {
		return nil
	}
	e.rest = e.rest[padding(l.before):]
	l.before = e.length
	m := &priorMember{entry: e}
	if m.state, err = l.states.Next(); err != nil {
		return nil
	}
	header, err := e.header()
	if err != nil {
		return nil
	}
	if m.member, err = l.decoder.Member(header, int64(e.length)); err != nil {
		return nil
	}
	return m
}

// locate finds the chunks of a member in the index, with their lengths.
func (p *prior) locate(m *priorMember) bool {
	m.chunks = make([]priorChunk, 0, min(m.entry.chunks, 1<<16))
	length, whole := uint64(0), true
	for range m.entry.chunks {
		at, err, ok := p.places()
		if err != nil || !ok {
			p.now = nil
			return false
		}
		c, ok := p.chunk(at)
		whole = whole && ok
		length += uint64(c.length)
		if whole {
			m.chunks = append(m.chunks, c)
		}
	}
	return whole && length == m.entry.length
}

// chunk finds one chunk: its slab must be listed and there.
func (p *prior) chunk(at place) (priorChunk, bool) {
	ref, ok := p.index.Find(at.slab, at.chunk)
	if !ok {
		return priorChunk{}, false
	}
	slab, err := p.r.slabs.Open(p.ctx, at.slab)
	if err != nil {
		return priorChunk{}, false
	}
	n, ok := slab.ChunkLength(at.chunk)
	return priorChunk{ref, n}, ok
}
