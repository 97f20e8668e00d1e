package store

import (
	"context"
	"io"
	"strings"
	"testing"
	"time"
)

// TestStatusOfPlaces: the age of a second place is told at once where it was copied, by what was sent, and what was not sent
// stays untold.
func TestStatusOfPlaces(t *testing.T) {
	state := t.TempDir()
	a := newSite(t)
	b := a.replica()
	here, there := a.open(state), b.open(state)
	one, two := here.put("seedbank", "one"), here.put("herbarium", "two")
	here.replicate(there, one.ID)
	s, err := here.Status(t.Context(), StatusOptions{})
	if err != nil || len(s.Places) != 1 {
		t.Fatalf("%+v, %v", s, err)
	}
	p := &s.Places[0]
	if p.Place != there.Place() || p.Where != "/mnt/second" || p.At.IsZero() || p.Last == nil || p.Last.ID != one.ID {
		t.Errorf("%+v", p)
	}
	if sent := p.Service("seedbank", "hazel"); sent == nil || sent.Last == nil || sent.Last.ID != one.ID || sent.Age != max(s.At.Sub(one.Taken), 0) {
		t.Errorf("%+v", sent)
	}
	if not := p.Service("herbarium", "hazel"); not == nil || not.Last != nil {
		t.Errorf("%+v, where %s was not sent", not, two.ID)
	}
	// What was taken before counts as older whenever it came; what is dated in the future, and what was retired here and is
	// not there, counts for nothing.
	before := here.putTaken("seedbank", one.Taken.Add(-time.Hour))
	ahead := here.putTaken("archive", one.Taken.Add(48*time.Hour))
	here.replicate(there, before.ID, ahead.ID)
	retired := here.put("greenhouse", "three")
	if err := here.Retire(t.Context(), []string{retired.ID}, MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	if s, err = here.Status(t.Context(), StatusOptions{}); err != nil {
		t.Fatal(err)
	}
	p = &s.Places[0]
	if p.Last == nil || p.Last.ID != one.ID || p.Service("seedbank", "hazel").Last.ID != one.ID {
		t.Errorf("%+v", p)
	}
	if archive := p.Service("archive", "hazel"); archive == nil || archive.Last != nil || p.Service("greenhouse", "hazel") != nil {
		t.Errorf("%+v", p.Services)
	}
}

// putTaken captures something as of a time.
func (m *machine) putTaken(name string, taken time.Time) *Capture {
	m.t.Helper()
	c, err := m.Capture(m.t.Context(), CaptureOptions{Name: name, Host: "hazel", Taken: taken, Volumes: []VolumeInput{{Open: func(context.Context) (io.ReadCloser, error) {
		return io.NopCloser(strings.NewReader(taken.String())), nil
	}}}})
	if err != nil {
		m.t.Fatal(err)
	}
	return c
}

// TestCopiedIsNotOwn: a machine that copies another one's capture counts it as seen there and not as made, so that no files are
// taken over from it; its own it counts as its own.
func TestCopiedIsNotOwn(t *testing.T) {
	state := t.TempDir()
	a := newSite(t)
	b := a.replica()
	others := a.open(t.TempDir()).put("seedbank", "another machine's")
	here, there := a.open(state), b.open(state)
	own := here.put("seedbank", "its own")
	here.replicate(there)
	files, err := there.ledger.ListCaptures(t.Context())
	if err != nil || len(files) != 2 {
		t.Fatal(files, err)
	}
	if got := there.ledger.OwnFiles(files); len(got) != 1 || got[0].Name != b.fileOf(own.ID) {
		t.Errorf("%v are its own; %s is another machine's", got, others.ID)
	}
}
