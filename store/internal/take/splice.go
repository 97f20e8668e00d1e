package take

import (
	"bytes"
	"io"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/weave"
)

// splicer writes a stream that is much the same as one of the capture before.
// Where it is, whole chunks are taken over, neither read nor cut nor hashed. What
// comes out is what cutting all of it gives: where a chunk ends depends on its
// own bytes alone, so that from any place where a chunk of the stream before
// begins, as long as the bytes are the same, the chunks are.
//
// It is in step while the chunk being put together begins where one of the
// stream before does and all since is the same. Otherwise bytes are pending
// until they are cut.
type splicer struct {
	in     *intake.Intake
	out    *intake.Stream
	before *priorStream // nil: nothing is taken over
	cutter *chunk.Cutter
	limit  int

	step int    // in step: the chunk of the stream before; else -1
	kept uint64 // in step: bytes of that chunk, and of those behind it

	pending []byte
	same    int    // pending from here on is the same as what lies at sameAt before; or -1
	sameAt  uint64 // in the stream before
}

// newSplicer cuts what is written to it into chunks of a stream.
func newSplicer(w *weave.Weaver, out *intake.Stream, before *priorStream) (*splicer, error) {
	cutter, err := chunk.NewCutter(w.Params)
	if err != nil {
		return nil, err
	}
	// With more than one of the longest chunks pending, some chunk has its end, and
	// not much is cut twice.
	return &splicer{
		in: w.Intake, out: out, before: before, cutter: cutter, limit: 2 * w.Params.Max(), step: -1, same: -1,
	}, nil
}

// write appends bytes.
func (p *splicer) write(b []byte) error {
	if err := p.leave(); err != nil {
		return err
	}
	p.same = -1
	p.pending = append(p.pending, b...)
	return p.cutFull()
}

// keep appends the n bytes at off of the stream before.
func (p *splicer) keep(off, n uint64) error {
	if off > p.before.length || n > p.before.length-off {
		return errPrior
	}
	if p.step < 0 && len(p.pending) == 0 {
		p.enter(off)
	}
	if p.step >= 0 {
		if p.before.chunks[p.step].start+p.kept == off {
			p.kept += n
			return p.pass()
		}
		if err := p.leave(); err != nil {
			return err
		}
	}
	if p.same < 0 || p.sameAt+uint64(len(p.pending)-p.same) != off {
		p.same, p.sameAt = len(p.pending), off
	}
	var err error
	if p.pending, err = p.before.read(p.pending, off, n); err != nil {
		return err
	}
	return p.cutFull()
}

// enter gets in step if a chunk of the stream before begins at off.
func (p *splicer) enter(off uint64) bool {
	n, ok := p.before.starts(off)
	if ok {
		p.step, p.kept = n, 0
	}
	return ok
}

// pass takes over the chunks that are there in full. The last one of the stream
// before ended with it, and may not end there now.
func (p *splicer) pass() error {
	for p.step < len(p.before.chunks)-1 {
		c := &p.before.chunks[p.step]
		if p.kept < uint64(c.length) {
			break
		}
		if err := p.in.PutKnown(p.out, c.ref, c.length); err != nil {
			return err
		}
		p.kept -= uint64(c.length)
		p.step++
	}
	return nil
}

// leave gets out of step: what was the same in the chunk that is put together is
// read.
func (p *splicer) leave() error {
	if p.step < 0 {
		return nil
	}
	p.same, p.sameAt = 0, p.before.chunks[p.step].start
	p.step = -1
	var err error
	p.pending, err = p.before.read(p.pending[:0], p.sameAt, p.kept)
	return err
}

func (p *splicer) cutFull() error {
	if len(p.pending) < p.limit {
		return nil
	}
	return p.cut(false)
}

// cut cuts what is pending, up to where it gets in step. Unless the stream ends
// here, it leaves the last chunk, which may not have its end yet.
func (p *splicer) cut(end bool) error {
	p.cutter.Reset(bytes.NewReader(p.pending))
	done := 0
	for p.step < 0 && done < len(p.pending) {
		buf, err := p.in.Reserve()
		if err != nil {
			return err
		}
		c, err := p.cutter.Next(buf)
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		if done+len(c) == len(p.pending) && !end {
			break
		}
		p.in.Put(p.out, len(c))
		done += len(c)
		if p.same >= 0 && done >= p.same && p.enter(p.sameAt+uint64(done-p.same)) {
			p.kept = uint64(len(p.pending) - done)
		}
	}
	if p.step >= 0 {
		p.pending = p.pending[:0]
		return p.pass()
	}
	p.pending = append(p.pending[:0], p.pending[done:]...)
	if p.same >= 0 && done > p.same {
		p.sameAt += uint64(done - p.same)
		p.same = done
	}
	if p.same >= 0 {
		p.same -= done
	}
	return nil
}

// finish ends the stream.
func (p *splicer) finish() error {
	if last := p.step; last >= 0 {
		if c := &p.before.chunks[last]; p.kept == uint64(c.length) {
			return p.in.PutKnown(p.out, c.ref, c.length)
		}
	}
	if err := p.leave(); err != nil {
		return err
	}
	for len(p.pending) > 0 {
		if err := p.cut(true); err != nil {
			return err
		}
		if p.step >= 0 {
			return p.finish()
		}
	}
	return nil
}
