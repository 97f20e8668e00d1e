package store_test

import (
	"errors"
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// captureTaken captures under a name, as taken at a time.
func (f *fixture) captureTaken(name string, taken time.Time) *store.Capture {
	f.t.Helper()
	c, err := f.Capture(f.t.Context(), store.CaptureOptions{Name: name, Taken: taken, Volumes: []store.VolumeInput{stream([]byte("bean " + name))}})
	if err != nil {
		f.t.Fatal(err)
	}
	return c
}

// spoil changes a byte in the middle of an index file.
func (f *fixture) spoil(c *store.Capture) {
	f.t.Helper()
	f.harmed = true
	name := "captures/" + c.ID
	b := objects(f.t, f.mem)[name]
	b[len(b)/2] ^= 1
	f.replace(name, b)
}

func (f *fixture) replace(name string, b []byte) {
	f.t.Helper()
	if err := f.mem.Remove(f.t.Context(), name); err != nil {
		f.t.Fatal(err)
	}
	put(f.t, f.mem, name, b)
}

// Where an index file is damaged, a capture is found only where it must be the one that
// would be found if all could be read.
func TestFindDespiteDamage(t *testing.T) {
	at := func(day int) time.Time { return time.Date(2026, 3, day, 2, 3, 0, 0, time.UTC) }
	f := newFixture(t)
	old, middle, other := f.captureTaken("seedbank", at(1)), f.captureTaken("seedbank", at(2)), f.captureTaken("orchard", at(3))
	f.spoil(middle)
	newer := f.captureTaken("seedbank", at(9))
	for _, test := range []struct {
		selector string
		want     *store.Capture
		damaged  bool
		err      error
	}{
		{"latest", newer, false, nil},
		{"seedbank@latest", newer, false, nil},
		{"orchard@latest", other, false, nil}, // the damaged one is older
		{"meadow@latest", nil, true, nil},     // the damaged one may be of that name
		{old.ID, old, false, nil},
		{old.ID[:8], old, false, nil},
		{middle.ID, nil, true, nil},
		{middle.ID[:8], nil, true, nil},
		{"2026030", nil, false, store.ErrAmbiguous},
		{"2025", nil, false, store.ErrNotFound},
	} {
		f.expectFound(t, test.selector, test.want, test.damaged, test.err, middle.ID)
	}
	f.spoil(newer)
	f.expectFound(t, "latest", nil, true, nil, newer.ID)
	f.expectFound(t, "seedbank@latest", nil, true, nil, newer.ID, middle.ID)
	f.expectFound(t, "orchard@latest", nil, true, nil, newer.ID)
	f.expectFound(t, old.ID, old, false, nil)
	f.expectFound(t, newer.ID, nil, true, nil, newer.ID)

	// Of two of one minute the ids do not tell which is the later one.
	g := newFixture(t)
	g.spoil(g.captureTaken("seedbank", at(1)))
	beside := g.captureTaken("orchard", at(1).Add(59*time.Second))
	if c, err := g.Find(t.Context(), "latest"); err == nil || !errors.Is(err, store.ErrDamaged) {
		t.Errorf("beside a damaged one of the same minute as %s: %v, %v", beside.ID, c, err)
	}

	// A retired capture is not the latest, whatever its index file says.
	f.retire(newer)
	f.expectFound(t, "latest", other, false, nil)
	f.expectFound(t, "orchard@latest", other, false, nil)
	l, err := f.List(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := l.FindRetired("latest"); !isDamaged(err, newer.ID) {
		t.Errorf("the latest retired one: %v", err)
	}
	if _, err := l.FindRetired(old.ID); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a retired one that is not: %v", err)
	}
	f.retire(old)
	if l, err = f.List(t.Context()); err != nil {
		t.Fatal(err)
	}
	if c, err := l.FindRetired(old.ID[:8]); err != nil || c.ID != old.ID || c.Retired == nil {
		t.Errorf("the retired one: %+v, %v", c, err)
	}

	_, err = f.Captures(t.Context())
	if ids := []string{middle.ID, newer.ID}; !isDamaged(err, ids...) {
		t.Errorf("Captures gave %v, want damage of %v", err, ids)
	}
	if got, want := store.DamagedObjects(err), []string{"captures/" + middle.ID, "captures/" + newer.ID}; !slices.Equal(got, want) {
		t.Errorf("damaged objects: %v, want %v", got, want)
	}
}

func (f *fixture) expectFound(t *testing.T, selector string, want *store.Capture, damaged bool, wantErr error, ids ...string) {
	t.Helper()
	c, err := f.Find(t.Context(), selector)
	switch {
	case want != nil && (err != nil || c.ID != want.ID):
		t.Errorf("%s: %v, %v, want %s", selector, c, err, want.ID)
	case damaged && (!isDamaged(err, ids...) || errors.Is(err, store.ErrNotFound)):
		t.Errorf("%s: %v, %v, want a DamagedError of %v", selector, c, err, ids)
	case wantErr != nil && !errors.Is(err, wantErr):
		t.Errorf("%s: %v, %v, want %v", selector, c, err, wantErr)
	}
}

// isDamaged tells whether an error is a DamagedError of these captures.
func isDamaged(err error, ids ...string) bool {
	var damage *store.DamagedError
	slices.Sort(ids)
	return errors.As(err, &damage) && errors.Is(err, store.ErrDamaged) && slices.Equal(damage.Captures, ids)
}
