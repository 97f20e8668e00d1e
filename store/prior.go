package store

import (
	"bytes"
	"context"
	"iter"
	"strings"

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

	entries *entryReader
	reading *fetch.Stream
	states  *format.StateReader
	places  func() (place, error, bool) // of the contents' chunks, in order
	stop    func()

	now    *priorMember // where the reading is; nil at the end
	passed bool         // the chunks of now have been gone through
	before uint64       // length of the content before now
}

// priorMember is a member of the capture before.
type priorMember struct {
	entry  entry // without the padding of the content before
	state  *format.State
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
	captures, _ := s.r.Captures(ctx)
	record := findPrior(captures, s.o, v)
	if record == nil {
		return nil
	}
	ctx, cancel := context.WithCancel(ctx)
	p := &prior{r: s.r, index: s.index, ctx: ctx, cancel: cancel}
	p.entries = s.r.readEntries(ctx, record)
	p.reading = s.r.slabs.Stream(ctx, record.States)
	p.states = format.NewStateReader(fetch.Bytes(p.reading.Next))
	runs := fetch.Runs(func(func(format.Run, error) bool) {})
	if record.Contents != nil {
		runs = s.r.slabs.Runs(ctx, record.Contents)
	}
	p.places, p.stop = iter.Pull2(placesOf(runs))
	p.advance()
	return p
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

func placesOf(runs fetch.Runs) iter.Seq2[place, error] {
	return func(yield func(place, error) bool) {
		for run, err := range runs {
			if err != nil {
				yield(place{}, err)
				return
			}
			for range run.Times {
				for n := range run.Count {
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
		p.entries.close()
		p.reading.Close()
	}
}

// find gives the member of that path if it was in that state, and its chunks are
// there. Paths are asked for in the order of the walk.
func (p *prior) find(path string, state *volume.State) *priorMember {
	if p == nil {
		return nil
	}
	want := []byte(path)
	for p.now != nil && comparePaths(p.now.state.Path, want) < 0 {
		p.advance()
	}
	if p.now == nil || !bytes.Equal(p.now.state.Path, want) || !sameState(p.now.state, path, state) {
		return nil
	}
	found := p.now
	p.passed = true
	if !p.locate(found) {
		return nil
	}
	return found
}

func sameState(was *format.State, path string, is *volume.State) bool {
	r := stateRecord(path, is)
	return was.Kind == r.Kind && was.Perm == r.Perm && was.UID == r.UID && was.GID == r.GID &&
		bytes.Equal(was.User, r.User) && bytes.Equal(was.Group, r.Group) && was.Size == r.Size &&
		was.Modified == r.Modified && was.Changed == r.Changed && was.Device == r.Device && was.Inode == r.Inode &&
		was.DevMajor == r.DevMajor && was.DevMinor == r.DevMinor && bytes.Equal(was.Link, r.Link)
}

// comparePaths orders paths as a walk meets them: folder by folder, names by
// their bytes. No name holds a byte zero.
func comparePaths(a, b []byte) int {
	lowest := func(p []byte) string { return strings.ReplaceAll(string(p), "/", "\x00") }
	return strings.Compare(lowest(a), lowest(b))
}

// advance goes on to the next member.
func (p *prior) advance() {
	if p.now != nil && !p.passed {
		for range p.now.entry.Chunks {
			if _, err, ok := p.places(); err != nil || !ok {
				p.now = nil
				return
			}
		}
	}
	p.passed = false
	was := p.now
	p.now = nil
	if was != nil {
		p.before = was.entry.Length
	}
	e, err := p.entries.next()
	if err != nil || tarstream.Kind(e.Kind) != tarstream.Entry || padding(p.before) > len(e.Header) {
		return
	}
	state, err := p.states.Next()
	if err != nil {
		return
	}
	e.Header = e.Header[padding(p.before):]
	p.now = &priorMember{entry: e, state: state}
}

// locate finds the chunks of a member in the index, with their lengths.
func (p *prior) locate(m *priorMember) bool {
	m.chunks = make([]priorChunk, 0, min(m.entry.Chunks, 1<<16))
	length, whole := uint64(0), true
	for range m.entry.Chunks {
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
	return whole && length == m.entry.Length
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
