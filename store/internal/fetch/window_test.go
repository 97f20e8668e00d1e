package fetch

import (
	"context"
	"errors"
	"runtime"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// TestWindow lets batches in and out, and tells whether another one of some weight gets in.
func TestWindow(t *testing.T) {
	w := newWindow(4, 6)
	for i, step := range []struct {
		out    int // that are given out first
		weight int
		in     bool
	}{
		{0, 9, true}, // alone, whatever it weighs
		{0, 1, false},
		{1, 3, true}, // 5 may be in it by now
		{0, 3, false},
		{0, 2, true},
		{0, 1, false},
		{1, 4, true}, // 6, of which 2 are left
		{0, 1, false},
		{1, 2, true}, // and no more than 6
		{0, 1, false},
		{2, 7, true},
		{1, 6, true},
	} {
		for range step.out {
			w.next()
		}
		if got := w.tryTake(step.weight); got != step.in {
			t.Fatalf("step %d: %v", i, got)
		}
	}
	ctx, cancel := context.WithCancelCause(t.Context())
	stop := errors.New("enough")
	cancel(stop)
	if err := w.take(ctx, 1); err != stop {
		t.Error(err)
	}
}

// TestReadAheadOfLong counts what is read while nothing is given out: of frames that are as long as may be no more bytes than of
// those that writers make, on any number of processors, near and far.
func TestReadAheadOfLong(t *testing.T) {
	var all []wide
	for range 6 {
		all = append(all, wide{raw: format.MaxFrameRaw})
	}
	f := forge(t, all...)
	for _, test := range []struct{ workers, reads, want int }{
		{1, 0, 1}, {2, 0, 1}, {4, 0, 1}, {8, 0, 2}, {16, 0, 4}, // 2 MiB for each worker, or one frame
		{2, 16, 1}, {8, 16, 4}, {16, 16, 4}, {16, 4, 1}, // 2 MiB for each read
	} {
		s, slab, st := f.opened(t, test.workers, test.want, 0)
		s.ReadAhead(test.reads)
		r := s.ReadWith(inAMinute(t), Inline([]format.Run{{Slab: f.id, Count: slab.chunks, Times: 1}}), ReadOptions{NoIdentities: true, Lend: true})
		<-st.reached
		if st.mu.Lock(); st.calls != test.want {
			t.Errorf("%d workers, %d reads: %d frames are read ahead, want %d", test.workers, test.reads, st.calls, test.want)
		}
		st.mu.Unlock()
		if err := readThrough(r); err != nil {
			t.Error(err)
		}
	}
}

// TestRecipesReadLittleAhead counts the same of a stream that holds a recipe, of frames of a MiB.
func TestRecipesReadLittleAhead(t *testing.T) {
	var all []wide
	for range 20 {
		all = append(all, wide{raw: format.FrameTarget})
	}
	f := forge(t, all...)
	for _, reads := range []int{0, 16} {
		s, slab, _ := f.opened(t, 16, 0, 0)
		held := &lingering{Storage: f.storage, begun: make(chan struct{}, 20)}
		s.storage = held
		s.ReadAhead(reads)
		ctx, cancel := context.WithCancel(inAMinute(t))
		done := make(chan struct{})
		go func() {
			defer close(done)
			for _, err := range s.Nested(ctx, Inline([]format.Run{{Slab: f.id, Count: slab.chunks, Times: 1}})) {
				if !errors.Is(err, context.Canceled) {
					t.Error(err)
				}
			}
		}()
		const most = nestedAhead + 1 // with the one that is waited for
		for range most {
			<-held.begun
		}
		for range 1000 { // more than there may be would come
			runtime.Gosched()
		}
		if n := len(held.begun); n != 0 {
			t.Errorf("%d reads: %d are under way beyond %d", reads, n, most)
		}
		cancel()
		<-done
	}
}
