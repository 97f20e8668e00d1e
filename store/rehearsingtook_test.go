package store

import (
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// A mark that tells of more time than a Duration holds is taken for the longest.
func TestRehearsalTookTooLong(t *testing.T) {
	for _, ms := range []uint64{1 << 63, 1<<64 - 1, 9_223_372_036_855} {
		if got := newRehearsal(&format.RehearsalRecord{Took: ms}); got.Took <= 0 {
			t.Errorf("%d ms: %s", ms, got.Took)
		}
	}
}
