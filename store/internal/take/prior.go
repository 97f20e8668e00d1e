package take

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"io"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/volume"
)

// prior goes through the latest capture of a folder beside a new walk over it:
// both are in the same order. Of that capture only the states are read; what it
// says of a member that did not change is taken over by its place. Methods work
// on nil, which has nothing.
//
// Whatever goes wrong only ends the taking over: the files are then read.
type prior struct {
	cancel context.CancelFunc

	list, stamps, states *priorStream
	source               *fetch.Stream // of the states
	reader               *format.StateReader
	encoder              *format.StateEncoder
	noted                noter
	at                   priorPlace // of the next member

	places  weave.PlaceSource // of the contents' chunks, in order
	stop    func()
	locator weave.Locator
	located uint64 // of those chunks, how many were found

	record   *format.Volume // of the capture before
	contents *format.Recipe // of that

	ended bool  // nothing is found any more
	err   error // that ended it
	batch []priorMember
}

// priorPlace is where a member stands in the streams of a capture.
type priorPlace struct {
	list, stamps, states uint64
	padding              int // of the content before
}

// priorMember is a member of the capture before that did not change.
type priorMember struct {
	priorPlace
	format.Extent
	state, record uint64 // bytes of its state, and with its extent
	path          string
	chunks        []contentChunk
}

// contentChunk is a chunk that a content has so often.
type contentChunk struct {
	ref    known.Ref
	length int
	times  uint64
}

// openPrior gives the latest capture of the same folder that this machine made, or nil.
func (s *session) openPrior(ctx context.Context, v Volume) *prior {
	record := s.findDraft(v)
	if record == nil {
		record = s.latestVolume(ctx, v)
		if record != nil && !s.proves(ctx, record) {
			record = nil
		}
	}
	if record == nil {
		return nil
	}
	ctx, cancel := context.WithCancel(ctx)
	p := &prior{
		cancel: cancel, encoder: format.NewStateEncoder(), record: record,
		locator: weave.Locator{Index: s.index},
	}
	for stream, recipe := range map[**priorStream]*format.Recipe{
		&p.list: &record.MemberList, &p.stamps: weave.OrEmpty(record.Stamps), &p.states: record.States,
	} {
		var err error
		// Where chunks of a list are gone, there is no place to take members from.
		if *stream, err = newPriorStream(ctx, s.r.slabs, s.index, recipe); err != nil {
			s.lacking.note(err)
			cancel()
			return nil
		}
	}
	p.source = s.r.slabs.Stream(ctx, record.States)
	p.reader = format.NewStateReader(fetch.Bytes(p.source.Next))
	p.at.states = uint64(len(p.encoder.Begin()))
	p.contents = weave.OrEmpty(record.Contents)
	p.places, p.stop = weave.PullRepeats(ctx, s.r.slabs.Runs(ctx, p.contents))
	if _, err := p.reader.Peek(); err != nil { // it may be of another version
		s.lacking.note(err)
		p.close()
		return nil
	}
	return p
}

// findDraft gives the folder as it was drafted, or nil.
func (s *session) findDraft(v Volume) *format.Volume {
	if s.o.After == nil {
		return nil
	}
	return findPrior([]*ledger.Capture{{IndexFile: s.o.After}}, s.o, v)
}

func findPrior(captures []*ledger.Capture, o Options, v Volume) *format.Volume {
	for i := len(captures) - 1; i >= 0; i-- {
		c := captures[i]
		if c.Name != o.Name || c.Host != o.Host {
			continue
		}
		for j := range c.Volumes {
			if r := &c.Volumes[j]; r.States != nil && r.Source == v.Source && r.Name == v.Name {
				return r
			}
		}
	}
	return nil
}

func (p *prior) close() {
	if p != nil {
		p.cancel()
		p.stop()
		p.source.Close()
	}
}

// find gives the member of that path if it was in that state, and its chunks are
// there. Paths are asked for in the order of the walk.
func (p *prior) find(path string, state *volume.State) *priorMember {
	if p == nil || p.ended {
		return nil
	}
	encoded := p.encoder.Encode(*p.noted.state(path, state))
	for {
		same, err := p.reader.Is(encoded)
		if err != nil {
			return p.end(err)
		}
		if same {
			return p.next(stored(state))
		}
		// Both go in the order of a walk: what comes before this path is gone or was changed,
		// and what comes behind it is asked for later.
		before, err := p.reader.Peek()
		if err != nil {
			return p.end(err)
		}
		if format.ComparePaths(string(before.Path), path) >= 0 {
			return nil
		}
		p.next(notWanted)
		if p.ended {
			return nil
		}
	}
}

// end ends the taking over.
func (p *prior) end(err error) *priorMember {
	p.ended, p.err = true, err
	return nil
}

// notWanted is a length of no member.
const notWanted = 1<<64 - 1

// next goes on to the next member and gives the one before it, or nil where it
// has not that many bytes of content, or not all of them are there.
func (p *prior) next(length uint64) *priorMember {
	x, state, extent, err := p.reader.Next()
	if err != nil {
		return p.end(err)
	}
	if len(p.batch) == 0 {
		// One allocation for many: a folder may have millions of members.
		p.batch = make([]priorMember, 128)
	}
	m := &p.batch[0]
	*m = priorMember{
		priorPlace: p.at, Extent: x, state: uint64(state), record: uint64(state + extent),
	}
	p.at.list += x.Entry
	p.at.stamps += x.Stamps
	p.at.states += m.record
	p.at.padding = weave.Padding(x.Length)
	if !p.locate(m, length) {
		return nil
	}
	p.batch = p.batch[1:]
	return m
}

// locate finds the chunks of a member in the index, with their lengths, as long
// as they are of no more bytes than its file has.
func (p *prior) locate(m *priorMember, length uint64) bool {
	whole, left := m.Length == length, length
	for chunks := m.Chunks; chunks > 0; {
		at, times, err, ok := p.places(chunks)
		if err != nil || !ok {
			p.end(cmp.Or(err, errPrior))
			return false
		}
		// Also of what is not wanted: the next member's chunks come behind.
		chunks -= times
		if !whole {
			continue
		}
		ref, n, ok := p.locator.Find(at)
		// By division: the repository says how often, and a product could pass 64 bits.
		if whole = ok && n > 0 && times <= left/uint64(n); whole {
			m.chunks = append(m.chunks, contentChunk{ref, n, times})
			left -= times * uint64(n)
			p.located += times
		}
	}
	return whole && left == 0
}

// errPrior is returned where what was taken over can't be relied on: something of
// the capture before is not there any more, or its streams do not fit each other.
var errPrior = errors.New("the capture before is not as it should be")

// check makes sure that the states account for all of the capture before, once
// nothing more is asked for. They say where in the other streams a member
// stands, and only that was looked at.
func (p *prior) check(entries *format.EntryEncoder) error {
	for !p.ended {
		p.next(notWanted)
	}
	if p.err != io.EOF || p.at.stamps != p.stamps.length {
		return errPrior
	}
	if _, _, _, more := p.places(1); more {
		return errPrior
	}
	// No state is of the last entry: padding and the end of the archive.
	end := weave.NewEntry(tarstream.Bytes, append(make([]byte, p.at.padding), volume.EndMarker()...))
	want := entries.Encode(end.Record())
	got, err := p.list.read(nil, p.at.list, uint64(len(want)))
	if err != nil || !bytes.Equal(got, want) || p.at.list+uint64(len(want)) != p.list.length {
		return errPrior
	}
	return nil
}
