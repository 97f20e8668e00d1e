package store

import (
	"slices"
	"testing"
)

// TestDoubtsOfChanges: that files changed is told by the warnings, which earlier releases
// wrote, too. Texts are those of the captures that they made.
func TestDoubtsOfChanges(t *testing.T) {
	for warning, want := range map[string][]Doubt{
		"journal: its times changed while it was read":                            {Changed},
		"journal: it grew while it was read; what was added is not in the stream": {Changed},
		"s: a socket: it is not captured":                                         nil,
	} {
		c := &Capture{Volumes: []Volume{{Name: "still"}, {Name: "data", Warnings: []string{"x: a socket", warning}}}}
		if got := doubtsOf(c); !slices.Equal(got, want) {
			t.Errorf("%q: %q, not %q", warning, got, want)
		}
	}
}
