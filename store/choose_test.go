package store_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// somewhere is four hours behind UTC: what is taken there in the evening has the next day in
// its id.
var somewhere = time.FixedZone("XST", -4*60*60)

// chosen are captures to choose from, as in a listing: oldest first.
func chosen(t *testing.T) (*store.Listing, map[string]*store.Capture) {
	t.Helper()
	l, byID := &store.Listing{}, make(map[string]*store.Capture)
	for _, c := range []struct{ id, taken, name, version, host string }{
		{"20260301t1200z-aaaa", "2026-03-01T12:00:00Z", "seedbank", "4.0.0", "hazel"},
		{"20260301t1800z-aaab", "2026-03-01T18:00:00Z", "seedbank", "4.1.0", "hazel"},
		{"20260302t0100z-aaac", "2026-03-02T01:00:00Z", "seedbank", "4.1.0", "hazel"}, // the evening of the first, somewhere
		{"20260305t1200z-aaad", "2026-03-05T12:00:00Z", "orchard", "2026-03-06", "alder"},
		{"20260306t1200z-aaae", "2026-03-06T12:00:00Z", "orchard", "7", "alder"},
		{"20260307t1200z-aaaf", "2026-03-07T12:00:00Z", "meadow", "1", "hazel"},
		{"20260308t1200z-aaag", "2026-03-08T12:00:00Z", "meadow", "1", "alder"},
		{"20260309t1200z-aaah", "2026-03-09T12:00:00Z", "a@b", "1", "hazel"},
		{"20260309t1300z-aaai", "2026-03-09T13:00:00Z", "a", "b@1", "hazel"},
		{"20260310t1200z-aaaj", "2026-03-10T12:00:00Z", "twice", "1", "hazel"},
		{"20260310t1200z-aaak", "2026-03-10T12:00:00Z", "twice", "1", "hazel"},
		{"20260311t1200z-aaal", "2026-03-10T12:00:00Z", "late", "1", "4.1.0"}, // its date was amended
		{"20620301t1200z-aaam", "2062-03-01T12:00:00Z", "seedbank", "9.9", "hazel"},
		{"20620302t1200z-aaan", "2062-03-02T12:00:00Z", "tomorrow", "1", "hazel"},
	} {
		taken, err := time.Parse(time.RFC3339, c.taken)
		if err != nil {
			t.Fatal(err)
		}
		got := &store.Capture{ID: c.id, Taken: taken, Written: taken, Name: c.name, Version: c.version, Host: c.host}
		l.Captures, byID[c.id] = append(l.Captures, got), got
	}
	byID["20260310t1200z-aaaj"].Written = time.Date(2026, 3, 20, 0, 0, 0, 0, time.UTC)
	return l, byID
}

func TestChoose(t *testing.T) {
	now := time.Date(2026, 3, 15, 12, 0, 0, 0, time.UTC)
	for _, test := range []struct {
		name, selector, host, want string // want: the id, or what the error says
		err                        error
	}{
		{"an id", "20260302t0100z-aaac", "", "20260302t0100z-aaac", nil},
		{"part of an id", "20260302t01", "", "20260302t0100z-aaac", nil},
		{"the latest is not of the future", "latest", "", "20260310t1200z-aaaj", nil},
		{"nor is that of a name", "seedbank@latest", "", "20260302t0100z-aaac", nil},
		{"none but of the future", "tomorrow@latest", "", "all are dated in the future, the first of them 20620302t1200z-aaan", store.ErrNotFound},
		{"a version finds it", "tomorrow@1", "", "20620302t1200z-aaan", nil},
		{"a day finds it", "tomorrow@2062-03-02", "", "20620302t1200z-aaan", nil},
		{"an id finds it", "206203010", "", "", store.ErrNotFound},
		{"an id of the future", "20620301", "", "20620301t1200z-aaam", nil},

		{"the newest of a version", "seedbank@4.1.0", "", "20260302t0100z-aaac", nil},
		{"an older version", "seedbank@4.0.0", "", "20260301t1200z-aaaa", nil},
		{"a version that is not there", "seedbank@4.2.0", "", `capture "seedbank@4.2.0"`, store.ErrNotFound},
		{"a name that is not there", "seedbonk@4.1.0", "", `capture "seedbonk@4.1.0"`, store.ErrNotFound},
		{"no version is none", "seedbank@", "", "", store.ErrNotFound},
		{"a version with an @", "a@b@1", "", "one of several names", store.ErrAmbiguous},
		{"a name with an @", "a@b@latest", "", "20260309t1200z-aaah", nil},

		{"a local day", "seedbank@2026-03-01", "", "20260302t0100z-aaac", nil},
		{"a day without dashes", "seedbank@20260301", "", "20260302t0100z-aaac", nil},
		{"the day of UTC", "seedbank@2026-03-02", "", "", store.ErrNotFound},
		{"no day", "seedbank@2026-02-30", "", "", store.ErrNotFound},
		{"a version like a day", "orchard@2026-03-06", "", "20260305t1200z-aaad: orchard 2026-03-06, taken 2026-03-05 08:00 XST on alder\n  20260306t1200z-aaae", store.ErrAmbiguous},
		{"an amended date", "late@2026-03-10", "", "20260311t1200z-aaal", nil},

		{"one day by the id, another here", "20260302", "", "20260302t0100z-aaac: seedbank 4.1.0, taken 2026-03-01 21:00 XST on hazel", store.ErrAmbiguous},
		{"more of a day here", "20260301", "", "ids are in UTC", store.ErrAmbiguous},
		{"the same day by both", "20260305", "", "20260305t1200z-aaad", nil},
		{"the same months", "202603", "", "more than one capture fits", store.ErrAmbiguous},
		{"an id whose date was amended", "20260311", "", "ids are in UTC", store.ErrAmbiguous},

		{"several hosts", "meadow@latest", "", "several hosts use that name", store.ErrAmbiguous},
		{"several hosts, by version", "meadow@1", "", "20260307t1200z-aaaf: meadow 1, taken 2026-03-07 08:00 XST on hazel\n  20260308t1200z-aaag", store.ErrAmbiguous},
		{"several hosts, one of them that day", "meadow@2026-03-07", "", "20260307t1200z-aaaf", nil},
		{"a host", "meadow@latest", "hazel", "20260307t1200z-aaaf", nil},
		{"the other host", "meadow@1", "alder", "20260308t1200z-aaag", nil},
		{"the latest of a host", "latest", "alder", "20260308t1200z-aaag", nil},
		{"a host like a version", "late@1", "4.1.0", "20260311t1200z-aaal", nil},
		{"a capture of another host", "20260307t1200z-aaaf", "alder", "", store.ErrNotFound},
		{"no such host", "latest", "birch", "", store.ErrNotFound},
	} {
		t.Run(test.name, func(t *testing.T) {
			l, byID := chosen(t)
			c, err := l.Choose(test.selector, store.ChooseOptions{Host: test.host, Location: somewhere, Now: now})
			switch {
			case test.err == nil && (err != nil || c != byID[test.want]):
				t.Errorf("%q: %v, %v, not %s", test.selector, c, err, test.want)
			case test.err != nil && (!errors.Is(err, test.err) || !strings.Contains(err.Error(), test.want)):
				t.Errorf("%q: %v, %v, not %v that says %q", test.selector, c, err, test.err, test.want)
			}
			var unclear *store.AmbiguousError
			if errors.Is(err, store.ErrAmbiguous) && (!errors.As(err, &unclear) || len(unclear.Captures) == 0) {
				t.Errorf("%q: %v does not tell which captures fit", test.selector, err)
			}
		})
	}
}

// TestChooseNow goes by this machine's clock, and lets other machines' be ahead a little.
func TestChooseNow(t *testing.T) {
	at := func(d time.Duration) *store.Capture {
		taken := time.Now().Add(d)
		return &store.Capture{ID: taken.UTC().Format("20060102t1504z") + "-aaaa", Name: "seedbank", Taken: taken}
	}
	before, ahead, future := at(-time.Hour), at(store.ClockTolerance/2), at(time.Hour)
	if c, err := store.Select([]*store.Capture{before, ahead, future}, "latest"); err != nil || c != ahead {
		t.Errorf("%v, %v", c, err)
	}
}

// Where the index file of a capture can't be read, a host or a version does not tell that it
// is another one.
func TestChooseDespiteDamage(t *testing.T) {
	at := func(day int) time.Time { return time.Date(2026, 3, day, 12, 0, 0, 0, time.UTC) }
	f := newFixture(t)
	old, newer := f.captureTaken("seedbank", at(1)), f.captureTaken("seedbank", at(2))
	f.spoil(newer)
	l, err := f.List(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, selector := range []string{"seedbank@2026-03-01", "seedbank@latest", "latest"} {
		if c, err := l.Choose(selector, store.ChooseOptions{}); !isDamaged(err, newer.ID) {
			t.Errorf("%s: %v, %v", selector, c, err)
		}
	}
	// What counts is when the readable one was taken, which may have been amended.
	amended := f.captureTaken("seedbank", at(3))
	amended = f.amend(amended.ID, store.AmendOptions{Taken: at(1).Add(time.Hour)})
	if c, err := f.Find(t.Context(), "seedbank@latest"); !isDamaged(err, newer.ID) {
		t.Errorf("the latest, with %s amended: %v, %v", amended.ID, c, err)
	}
	if c, err := l.Choose("20260302", store.ChooseOptions{Host: "hazel"}); !isDamaged(err, newer.ID) {
		t.Errorf("by its day: %v, %v", c, err)
	}
	if c, err := l.Choose("20260301", store.ChooseOptions{}); err != nil || c.ID != old.ID {
		t.Errorf("the other day: %v, %v", c, err)
	}
}
