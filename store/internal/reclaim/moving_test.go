package reclaim

import (
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// TestSpares: so many buffers are kept, and none that only the longest frames need.
func TestSpares(t *testing.T) {
	s := make(spares, 2)
	if buf := s.get(); buf != nil {
		t.Errorf("a buffer of %d where there is none", cap(buf))
	}
	usual := make([]byte, 10, 2*format.FrameTarget)
	for _, buf := range [][]byte{make([]byte, 2*format.FrameTarget+1), usual, usual, usual} { // a third one is not waited for
		s.put(buf)
	}
	for i, want := range []int{cap(usual), cap(usual), 0} {
		if got := cap(s.get()); got != want {
			t.Errorf("number %d has %d bytes, want %d", i, got, want)
		}
	}
}
