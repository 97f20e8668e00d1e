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

// TestFreedText: what comes free is named, and nothing of which there is none.
func TestFreedText(t *testing.T) {
	for _, test := range []struct {
		captures, slabs int
		want            string
	}{
		{0, 0, "tables and leftovers"},
		{0, 1, "1 slab that no capture needs any more, and what belongs to it"},
		{0, 6, "6 slabs that no capture needs any more, and what belongs to them"},
		{1, 0, "1 capture, and no slab: other captures need what is in them, or they go later"},
		{2, 1, "2 captures, 1 slab, and what belongs to them"},
	} {
		if got := freedText(test.captures, test.slabs); got != test.want {
			t.Errorf("%d captures, %d slabs: %q, not %q", test.captures, test.slabs, got, test.want)
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
