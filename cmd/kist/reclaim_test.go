package main

import (
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// TestWaitingText: who waits twice is not told the same twice.
func TestWaitingText(t *testing.T) {
	for _, test := range []struct {
		d     time.Duration
		again bool
		want  string
	}{
		{2 * time.Minute, false, "Waiting 2 min until other machines see what is to go."},
		{time.Minute, true, "Waiting 1 min more, to see "},
	} {
		if got := waitingText(test.d, test.again); !strings.HasPrefix(got, test.want) {
			t.Errorf("%v, %v: %q, not %q", test.d, test.again, got, test.want)
		}
	}
}

// TestMayStay: what reclaim may leave is 3 % of what is stored, but for the reserve.
func TestMayStay(t *testing.T) {
	for _, test := range []struct {
		reclaimable, stored int64
		want                bool
	}{
		{30, store.DefaultReserve + 1000, true},
		{31, store.DefaultReserve + 1000, false},
		{1, 1000, false}, // less than a reserve: there is none
	} {
		if got := mayStay(&store.Usage{Reclaimable: test.reclaimable, Stored: test.stored}); got != test.want {
			t.Errorf("%d of %d: %v", test.reclaimable, test.stored, got)
		}
	}
}
