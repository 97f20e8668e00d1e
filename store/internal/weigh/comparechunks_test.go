package weigh

import (
	"slices"
	"testing"
)

// TestAppendRepeated tells sequences of chunks apart by what they are, not by how they came.
func TestAppendRepeated(t *testing.T) {
	list := func(parts ...repeated) (refs []repeated) {
		for _, p := range parts {
			refs = appendRepeated(refs, p.ref, p.times)
		}
		return refs
	}
	a := list(repeated{1, 1}, repeated{1, 5}, repeated{2, 1}, repeated{1, 1})
	if b := list(repeated{1, 6}, repeated{2, 1}, repeated{1, 1}); !slices.Equal(a, b) {
		t.Errorf("%v and %v should be equal", a, b)
	}
	if b := list(repeated{1, 5}, repeated{2, 1}, repeated{1, 2}); slices.Equal(a, b) {
		t.Errorf("%v should be another one", b)
	}
}
