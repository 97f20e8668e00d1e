package fetch

import (
	"bytes"
	"context"
	"errors"
	"io"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// lentFrames stores frames of some chunks each, all of other bytes, and long enough to
// have their memory used again.
func lentFrames(t *testing.T) *stored {
	frames := make([][][]byte, 40)
	for i := range frames {
		for j := range 3 {
			frames[i] = append(frames[i], bytes.Repeat([]byte{byte(i), byte(j), 1}, 70_000+i))
		}
	}
	return newStored(t, frames...)
}

// TestLend reads several times at once through a cache that keeps one frame, and
// holds some of the blocks while the memory of others is used again.
func TestLend(t *testing.T) {
	r := lentFrames(t)
	s := r.open(t, r.storage)
	s.frames.limit = 1
	runs := []format.Run{r.run(0, len(r.chunks)), r.run(2, 50), {Slab: r.slab, First: 7, Count: 1, Times: 5}}
	want := r.want(runs)
	for range 4 {
		t.Run("", func(t *testing.T) {
			t.Parallel()
			in := s.ReadWith(t.Context(), Inline(runs), ReadOptions{NoIdentities: true, Lend: true})
			defer in.Close()
			var held []Block
			var which []int
			for at := 0; ; {
				b, err := in.NextBlock(1 << 63)
				if err == io.EOF {
					if at != len(want) {
						t.Errorf("%d chunks of %d", at, len(want))
					}
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				if !bytes.Equal(b.Data, bytes.Join(want[at:at+len(b.Lengths)], nil)) || b.IDs != nil {
					t.Fatalf("chunk %d: other bytes", at)
				}
				if at%2 == 0 {
					defer b.Hold()()
					held, which = append(held, b), append(which, at)
				}
				at += len(b.Lengths) * int(b.Times)
			}
			for i, b := range held {
				if at := which[i]; !bytes.Equal(b.Data, bytes.Join(want[at:at+len(b.Lengths)], nil)) {
					t.Errorf("chunk %d changed while it was held", at)
				}
			}
		})
	}
}

// TestLendBesideKeeping has frames that someone got for good and others borrow.
func TestLendBesideKeeping(t *testing.T) {
	r := lentFrames(t)
	s := r.open(t, r.storage)
	s.frames.limit = 1
	slab, err := s.Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	for n := range slab.Frames {
		lent, err := s.lend(t.Context(), slab, n, purpose{})
		if err != nil {
			t.Fatal(err)
		}
		kept, err := s.Frame(t.Context(), slab, n)
		if err != nil {
			t.Fatal(err)
		}
		s.giveBack(lent)
		want := bytes.Clone(kept)
		for other := range slab.Frames {
			if f, err := s.lend(t.Context(), slab, other, purpose{}); err == nil {
				s.giveBack(f)
			}
		}
		if !bytes.Equal(kept, want) {
			t.Fatalf("frame %d changed", n)
		}
	}
}

// TestLendFails has a frame that is damaged, and one whose reader was stopped.
func TestLendFails(t *testing.T) {
	r := lentFrames(t)
	s := r.open(t, r.storage)
	slab, err := s.Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	stopped, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := s.lend(stopped, slab, 3, purpose{}); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
	f, err := s.lend(t.Context(), slab, 3, purpose{})
	if err != nil || len(f.raw) != slab.Frames[3].Raw() {
		t.Errorf("after that: %v", err)
	}
	slab.offsets[5]++
	for range 2 {
		if _, err := s.lend(t.Context(), slab, 5, purpose{}); !errors.Is(err, format.ErrDamaged) {
			t.Errorf("damaged: %v", err)
		}
	}
}

// TestLendReuses counts the buffers through which 40 frames pass.
func TestLendReuses(t *testing.T) {
	r := lentFrames(t)
	s := r.open(t, r.storage)
	s.frames.limit = 1
	in := s.ReadWith(t.Context(), Inline([]format.Run{r.run(0, len(r.chunks))}), ReadOptions{Lend: true})
	defer in.Close()
	buffers := make(map[*byte]bool)
	for {
		b, err := in.NextBlock(1 << 63)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		buffers[&b.Data[0]] = true
	}
	if most := 3*s.workers + waiting + 2; len(buffers) > most {
		t.Errorf("%d buffers, want at most %d: those that are read ahead", len(buffers), most)
	}
}
