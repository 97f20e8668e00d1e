package delta

import (
	"slices"
	"testing"
)

func TestAnchors(t *testing.T) {
	s := NewSampler()
	b := noise(1<<20, 3)
	for _, often := range []Often{256, 1024} {
		n := len(s.Append(nil, b, often))
		if want := len(b) / int(often); n < want*4/5 || n > want*5/4 {
			t.Errorf("%d anchors where one in %d was asked for", n, often)
		}
	}
	// Of a part all are there but those that reach out of it.
	all, part := s.Append(nil, b, 256), s.Append(nil, b[1000:200_000], 256)
	if len(part) < 600 || !contains(all, part) {
		t.Errorf("%d anchors of a part, not all of which are anchors of the whole", len(part))
	}
	if few := s.Append(nil, b, 1024); !subsequence(all, few) {
		t.Error("an anchor of one in 1024 is none of one in 256")
	}
	other := s.Append(nil, noise(1<<20, 4), 256)
	for _, a := range other {
		if slices.Contains(all, a) {
			t.Error("noise shares an anchor with other noise")
		}
	}
	if got := s.Append(nil, make([]byte, window-1), 256); len(got) > 0 {
		t.Errorf("%d anchors of less than a window", len(got))
	}
}

// contains tells whether part is a stretch of all.
func contains(all, part []uint64) bool {
	for i := range all {
		if i+len(part) <= len(all) && slices.Equal(all[i:i+len(part)], part) {
			return true
		}
	}
	return false
}

// subsequence tells whether few come in all, in their order.
func subsequence(all, few []uint64) bool {
	for _, a := range all {
		if len(few) > 0 && few[0] == a {
			few = few[1:]
		}
	}
	return len(few) == 0
}
