package reclaim

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
)

// framesAhead is how many frames are read at a time: over a share each takes a few calls. What they hold has a bound in bytes.
const (
	framesAhead = 16
	bytesAhead  = framesAhead * format.FrameTarget
)

// part is a frame of a slab from which chunks are to be moved.
type part struct {
	slab  *stocked
	frame int // -1: the slab is looked at all the same, and no chunk of it is moved
	at    int // number of its first chunk in the slab
}

// bytes gives how much is read of a part.
func (p part) bytes() int {
	if p.frame < 0 {
		return 0
	}
	return p.slab.frames[p.frame].Raw()
}

// parts gives the frames of slabs of which chunks are needed, but for those chunks that list runs: new
// runs are listed anew.
func (m *mover) parts(victims []*stocked) (all []part) {
	for _, s := range victims {
		before, at := len(all), 0
		for i := range s.frames {
			n := len(s.frames[i].Chunks)
			if m.v.direct.any(s.first+at, s.first+at+n) {
				all = append(all, part{s, i, at})
			}
			at += n
		}
		if len(all) == before {
			all = append(all, part{s, -1, 0})
		}
	}
	return all
}

// moveChunks takes in the chunks of slabs that are needed.
func (m *mover) moveChunks(ctx context.Context, victims []*stocked) error {
	free := make(spares, 2*framesAhead)
	t := &partTaker{mover: m, hasher: m.r.vault.Keys().NewHasher()}
	return vault.InOrderWithin(ctx, m.parts(victims), framesAhead, bytesAhead, part.bytes,
		func(ctx context.Context, p part) ([]byte, error) {
			return m.read(ctx, p, free.get())
		},
		func(p part, raw []byte, err error) error {
			if err == nil {
				err = t.take(p, raw)
			}
			free.put(raw)
			return err
		})
}

// spares are buffers to use again.
type spares chan []byte

// get gives one, or nil.
func (s spares) get() []byte {
	select {
	case buf := <-s:
		return buf
	default:
		return nil
	}
}

// put keeps a buffer, unless there are enough, or it is longer than nearly all frames take: it would stay so.
func (s spares) put(buf []byte) {
	if cap(buf) > 2*format.FrameTarget {
		return
	}
	select {
	case s <- buf:
	default:
	}
}

// read gives the chunks of a part.
func (m *mover) read(ctx context.Context, p part, buf []byte) ([]byte, error) {
	slab, err := m.r.slabs.Open(ctx, p.slab.id)
	if err != nil {
		return nil, err
	}
	if !sameChunks(slab.Frames, p.slab.frames) {
		return nil, &fetch.SlabError{Slab: p.slab.id, Frame: -1, Err: stock.ErrDenied}
	}
	if p.frame < 0 {
		return buf, nil
	}
	return m.r.slabs.ReadFrame(ctx, slab, p.frame, buf)
}

// partTaker takes in what was read, one slab after the other.
type partTaker struct {
	*mover
	hasher  *crypt.Hasher
	slab    *stocked                // that it is at
	streams map[bool]*intake.Stream // of that slab's chunks, by whether they list
}

// take takes in those chunks of a frame that are to be moved.
func (t *partTaker) take(p part, raw []byte) error {
	if p.frame < 0 {
		return nil
	}
	s := p.slab
	if s != t.slab {
		t.slab = s
		t.streams = map[bool]*intake.Stream{
			false: t.w.Intake.Stream(intake.Contents), true: t.w.Intake.Stream(intake.Listing),
		}
	}
	if err := t.w.Intake.NewMember(t.streams[false]); err != nil {
		return err
	}
	at := p.at
	f := &s.frames[p.frame]
	if err := t.standOn(f); err != nil {
		return err
	}
	for _, n := range f.Chunks {
		chunk := raw[:n]
		raw = raw[n:]
		if bit := s.first + at; t.v.direct.has(bit) {
			id := t.hasher.Sum(chunk)
			t.ids[s.id][at] = id
			if t.said[s.id].Deny(uint32(at), id) {
				return &fetch.SlabError{Slab: s.id, Frame: p.frame, Err: stock.ErrDenied}
			}
			stream := t.streams[t.v.listing.has(bit)]
			if err := t.put(stream, chunk); err != nil {
				return err
			}
		}
		at++
	}
	t.meter.Add(int64(f.Sealed), false)
	return nil
}

// sameChunks tells whether frames have the same chunks, by their lengths, and stand on the same: what is needed was
// marked by what a table says.
func sameChunks(a, b []format.Frame) bool {
	return slices.EqualFunc(a, b, func(a, b format.Frame) bool {
		return slices.Equal(a.Chunks, b.Chunks) && a.SameAs(&b.Standing)
	})
}

func (m *mover) put(stream *intake.Stream, chunk []byte) error {
	buf, err := m.w.Intake.Reserve()
	if err != nil {
		return err
	}
	m.w.Intake.Put(stream, copy(buf, chunk))
	return nil
}
