package objects

import (
	"fmt"
	"reflect"
	"testing"
	"time"
)

// passed gives a time after which so long went by on the machine's wall clock, and so long on its monotonic one, which stands still
// while the machine sleeps. Nothing but package time itself can tell the two apart, which keeps the latter in its field ext.
func passed(wall, monotonic time.Duration) time.Time {
	at := time.Now().Add(-wall)
	*(*int64)(reflect.ValueOf(&at).Elem().FieldByName("ext").Addr().UnsafePointer()) += int64(wall - monotonic)
	return at
}

// TestFreshByBothClocks: what was put long ago by either clock is not held against what the store shows.
func TestFreshByBothClocks(t *testing.T) {
	for _, test := range []struct {
		what            string
		wall, monotonic time.Duration
		fresh           bool
	}{
		{"put just now", 0, 0, true},
		{"put long ago", 2 * ownFresh, 2 * ownFresh, false},
		{"the machine slept", 2 * ownFresh, ownFresh / 2, false},
		{"the wall clock was set back", -time.Hour, 2 * ownFresh, false},
		{"the wall clock was set back a moment ago", -time.Hour, ownFresh / 2, true},
	} {
		own := ownWrites{last: map[string]ownWrite{"leases/mark": {true, passed(test.wall, test.monotonic)}}}
		if got := own.fresh("leases/mark"); got != test.fresh {
			t.Errorf("%s: fresh: %v, want %v", test.what, got, test.fresh)
		}
	}
}

// TestOwnMost: of many writes the last ones are remembered, and never more than some.
func TestOwnMost(t *testing.T) {
	var own ownWrites
	began := time.Now()
	for i := range 2*ownMost + 1 {
		key := fmt.Sprint("slabs/", i)
		own.done(key, true)
		if len(own.last) > ownMost {
			t.Fatalf("%d are remembered after %d", len(own.last), i+1)
		}
		own.last[key] = ownWrite{true, began.Add(time.Duration(i))} // two may have one time
	}
	for i := 2*ownMost - ownMost/2 + 1; i <= 2*ownMost; i++ {
		if _, ok := own.last[fmt.Sprint("slabs/", i)]; !ok {
			t.Fatalf("of %d writes, number %d is forgotten", 2*ownMost+1, i)
		}
	}
}
