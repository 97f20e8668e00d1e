package store_test

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// took captures a stream under a name, on a host, on a day of March 2026.
func (f *fixture) took(name, host string, day int, b []byte) *store.Capture {
	f.t.Helper()
	c, err := f.Capture(f.t.Context(), store.CaptureOptions{
		Name: name, Host: host, Taken: time.Date(2026, time.March, day, 2, 3, 0, 0, time.UTC), Volumes: []store.VolumeInput{stream(b)},
	})
	if err != nil {
		f.t.Fatal(err)
	}
	return c
}

// foundText writes findings in short: per member its versions, per version the days.
func foundText(found *store.Findings) string {
	var lines []string
	for _, m := range found.Members {
		line := fmt.Sprintf("%s@%s %s", m.Name, m.Host, m.Path)
		for _, v := range m.Versions {
			line += fmt.Sprintf(" | %d:", v.Size)
			for _, c := range v.Captures {
				line += fmt.Sprintf(" %d", c.Taken.Day())
			}
			if v.Harmed != nil {
				line += " harmed"
			}
		}
		lines = append(lines, line)
	}
	for _, u := range found.Unread {
		lines = append(lines, fmt.Sprintf("unread %d", u.Capture.Taken.Day()))
	}
	return strings.Join(lines, "\n")
}

func fits(names ...string) func(string) bool {
	return func(path string) bool { return slices.Contains(names, path) }
}

func linkOf(kind byte, target string) func(*tar.Header) {
	return func(h *tar.Header) { h.Typeflag, h.Linkname = kind, target }
}

func touched(h *tar.Header) { h.ModTime, h.Mode = h.ModTime.Add(time.Hour), 0o600 }

// TestFindStoredTwice: what two captures stored at the same time, neither knowing of the other, is one version all the same.
func TestFindStoredTwice(t *testing.T) {
	f := newFixture(t)
	b := tarOf(t, file{name: "lot", content: random(1, 100_000)})
	var second *store.Capture
	meanwhile := store.VolumeInput{Name: "data", Open: func(context.Context) (io.ReadCloser, error) {
		second = f.took("seedbank", "hazel", 2, b)
		return io.NopCloser(bytes.NewReader(b)), nil
	}}
	first, err := f.Capture(t.Context(), store.CaptureOptions{
		Name: "seedbank", Host: "hazel", Taken: time.Date(2026, time.March, 1, 2, 3, 0, 0, time.UTC), Volumes: []store.VolumeInput{meanwhile},
	})
	if err != nil {
		t.Fatal(err)
	}
	if first.Added < 100_000 || second.Added < 100_000 {
		t.Fatalf("nothing is stored twice: %d and %d bytes", first.Added, second.Added)
	}
	found, err := f.FindMembers(t.Context(), []*store.Capture{first, second}, fits("lot"), store.FindOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := foundText(found), "seedbank@hazel lot | 100000: 1 2"; got != want {
		t.Errorf("%s, not %s", got, want)
	}
}

// TestFindMembers: versions are told by content alone, in the order of time, by name and host.
func TestFindMembers(t *testing.T) {
	f := newFixture(t)
	a, b := random(1, 100_000), random(2, 50)
	// Taken in in another order than they were taken.
	f.took("seedbank", "hazel", 4, tarOf(t, file{name: "beds/lot", content: a}, file{name: "twice", content: b}, file{name: "twice", content: a}))
	f.took("seedbank", "hazel", 1, tarOf(t, file{name: "./beds/lot", content: a}, file{name: "link", hdr: linkOf(tar.TypeSymlink, "beds/lot")}, file{name: "same", hdr: linkOf(tar.TypeLink, "./beds/lot")}))
	f.took("seedbank", "hazel", 2, tarOf(t, file{name: "beds/lot", content: a, hdr: touched}, file{name: "link", hdr: linkOf(tar.TypeSymlink, "beds/lot")}, file{name: "same", hdr: linkOf(tar.TypeLink, "beds/lot")}))
	f.took("seedbank", "hazel", 3, tarOf(t, file{name: "beds/lot", content: b}, file{name: "link", hdr: linkOf(tar.TypeSymlink, "beds")}, file{name: "same", hdr: linkOf(tar.TypeLink, "beds/lot")}))
	f.took("seedbank", "mill", 5, tarOf(t, file{name: "beds/lot", content: a}))
	f.took("orchard", "hazel", 6, tarOf(t, file{name: "beds/lot", content: a}))
	all, err := f.Captures(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		wanted []string
		want   string
	}{
		{[]string{"beds/lot"}, "seedbank@hazel ./beds/lot | 100000: 1 2 4 | 50: 3\nseedbank@mill beds/lot | 100000: 5\norchard@hazel beds/lot | 100000: 6"},
		{[]string{"twice"}, "seedbank@hazel twice | 100000: 4"}, // the last counts, as for tar
		{[]string{"link"}, "seedbank@hazel link | 0: 1 2 | 0: 3"},
		{[]string{"same"}, "seedbank@hazel same | 100000: 1 2 | 50: 3"}, // a hard link has the content of its target
		{[]string{"none"}, ""},
	} {
		found, err := f.FindMembers(t.Context(), all, fits(c.wanted...), store.FindOptions{})
		if err != nil || foundText(found) != c.want {
			t.Errorf("%q: %v\n%s\nnot\n%s", c.wanted, err, foundText(found), c.want)
		}
	}
	found, err := f.FindMembers(t.Context(), all[:1], nil, store.FindOptions{Volume: "data"})
	if err != nil || len(found.Members) != 3 || found.Members[0].Versions[0].Member.Path != "./beds/lot" {
		t.Errorf("all members of one capture: %v, %s", err, foundText(found))
	}
	found, err = f.FindMembers(t.Context(), all, nil, store.FindOptions{Volume: "elsewhere"})
	if err != nil || len(found.Members) != 0 {
		t.Errorf("of a volume that there is not: %v, %s", err, foundText(found))
	}
	elsewhere := newFixture(t).took("seedbank", "hazel", 1, nil)
	if _, err := f.FindMembers(t.Context(), []*store.Capture{elsewhere}, nil, store.FindOptions{}); !errors.Is(err, store.ErrForeign) {
		t.Errorf("in a capture of another repository: %v", err)
	}
}

// TestFindRepeated: contents of one chunk again and again are told from each other by how often.
func TestFindRepeated(t *testing.T) {
	f := newFixture(t)
	for day, size := range map[int]int{1: 4 << 20, 2: 8 << 20, 3: 4 << 20} {
		f.took("seedbank", "hazel", day, tarOf(t, file{name: "log", content: make([]byte, size)}))
	}
	all, err := f.Captures(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	found, err := f.FindMembers(t.Context(), all, nil, store.FindOptions{})
	if want := "seedbank@hazel log | 4194304: 1 3 | 8388608: 2"; err != nil || foundText(found) != want {
		t.Errorf("%v\n%s\nnot\n%s", err, foundText(found), want)
	}
}

// TestFindHarmed: what is damaged is named, and the rest is found.
func TestFindHarmed(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	for day := range 3 {
		content := random(byte(10+day), 100_001+day) // of another length and time, so that neither list nor stamps are the same
		later := func(h *tar.Header) { h.ModTime = h.ModTime.Add(time.Duration(day) * time.Hour) }
		f.took("seedbank", "hazel", day+1, tarOf(t, file{name: "lot", content: content, hdr: later}, file{name: "small", content: random(3, 100)}))
	}
	whole := objects(t, f.mem)
	wants := map[string]bool{}
	for name := range whole {
		if !strings.HasPrefix(name, "slabs/") {
			continue
		}
		left := clone(whole)
		delete(left, name)
		r, err := store.Open(t.Context(), memoryOf(t, left), f.key, store.OpenOptions{})
		if err != nil {
			t.Fatal(err)
		}
		all, err := r.Captures(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		found, err := r.FindMembers(t.Context(), all, fits("lot"), store.FindOptions{})
		if err != nil {
			t.Fatal(err)
		}
		text := foundText(found)
		wants[text] = true
		for _, u := range found.Unread {
			if !errors.Is(u.Err, store.ErrDamaged) || u.Volume.Name != "data" {
				t.Errorf("%+v", u)
			}
		}
		r.Close()
	}
	// Each slab holds the contents and the list of one capture.
	for _, want := range []string{
		"seedbank@hazel lot | 100002: 2 | 100003: 3\nunread 1",
		"seedbank@hazel lot | 100001: 1 | 100003: 3\nunread 2",
		"seedbank@hazel lot | 100001: 1 | 100002: 2\nunread 3",
	} {
		if !wants[want] {
			t.Errorf("nowhere found:\n%s\nbut %v", want, wants)
		}
	}
}

// TestFindMissingContents: a member whose content is not there is found, and said to be harmed.
func TestFindMissingContents(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	lot := random(1, 100_000)
	f.took("orchard", "hazel", 1, lot) // its slab has the content, of no tar stream
	before := objects(t, f.mem)
	f.took("seedbank", "hazel", 2, tarOf(t, file{name: "lot", content: lot}))
	f.took("seedbank", "hazel", 3, tarOf(t, file{name: "lot", content: lot, hdr: touched}))
	left := objects(t, f.mem)
	for name := range before {
		if strings.HasPrefix(name, "slabs/") {
			delete(left, name)
		}
	}
	r, err := store.Open(t.Context(), memoryOf(t, left), f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	all, err := r.Captures(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	found, err := r.FindMembers(t.Context(), all, fits("lot"), store.FindOptions{})
	if want := "seedbank@hazel lot | 100000: 2 3 harmed\nunread 1"; err != nil || foundText(found) != want {
		t.Errorf("%v\n%s\nnot\n%s", err, foundText(found), want)
	}
}
