package store_test

import (
	"archive/tar"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

func TestCompare(t *testing.T) {
	f := newFixture(t)
	large := random(1, 200_000)
	changed := slices.Clone(large)
	changed[100_000] ^= 1
	was := f.capture(tarOf(t,
		file{name: "same", content: random(2, 3000)}, file{name: "large", content: large},
		file{name: "gone", content: random(3, 4000)}, file{name: "moved", content: random(4, 5000)},
		file{name: "mode", content: random(5, 100)}, file{name: "emptied", content: random(6, 100)},
	))
	is := f.capture(tarOf(t,
		file{name: "./same", content: random(2, 3000)}, file{name: "large", content: changed},
		file{name: "new place", content: random(4, 5000)}, file{name: "added", content: random(7, 6000)},
		file{name: "mode", content: random(5, 100), hdr: func(h *tar.Header) { h.Mode = 0o600 }},
		file{name: "emptied"},
	))
	var got []string
	for d, err := range f.Compare(t.Context(), was, is, store.CompareOptions{}) {
		if err != nil {
			t.Fatal(err)
		}
		kind := "changed"
		switch {
		case d.Was == nil:
			kind = "added"
		case d.Is == nil:
			kind = "gone"
		}
		got = append(got, fmt.Sprintf("%s %s contents %v", kind, d.Path, d.Contents))
		if d.Path == "large" && (d.Bytes < 4000 || d.Bytes > 130_000) {
			t.Errorf("one byte of a large file changed, and %d bytes are behind it", d.Bytes)
		}
		want := map[string]int64{"gone": 4000, "moved": 0, "new place": 0, "added": 6000, "mode": 0, "emptied": 0}
		if w, ok := want[d.Path]; ok && d.Bytes != w {
			t.Errorf("%s: %d bytes, want %d", d.Path, d.Bytes, w)
		}
	}
	want := []string{
		"changed large contents true", "added new place contents true", "added added contents true",
		"changed mode contents false", "changed emptied contents true", "gone gone contents true", "gone moved contents true",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	for d, err := range f.Compare(t.Context(), is, is, store.CompareOptions{}) {
		t.Errorf("a capture differs from itself: %+v, %v", d, err)
	}
}

// TestComparePairs: volumes are paired by their names, or as the only ones.
func TestComparePairs(t *testing.T) {
	f := newFixture(t)
	take := func(member string, names ...string) *store.Capture {
		var o store.CaptureOptions
		for _, name := range names {
			v := stream(tarOf(t, file{name: member, content: random(1, 100)}))
			v.Name = name
			o.Volumes = append(o.Volumes, v)
		}
		c, err := f.Capture(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	data, seeds, both, other := take("a", "data"), take("a", "seeds"), take("a", "seeds", "notes"), take("b", "beds")
	for _, c := range []struct {
		was, is *store.Capture
		want    string
	}{
		{data, seeds, ""},
		{seeds, both, "+notes/a "},
		{both, seeds, "-notes/a "},
		{data, both, "+seeds/a +notes/a -data/a "},
		{data, other, "+beds/b -data/a "},
	} {
		got := ""
		for d, err := range f.Compare(t.Context(), c.was, c.is, store.CompareOptions{}) {
			if err != nil {
				t.Fatal(err)
			}
			mark := "+"
			if d.Is == nil {
				mark = "-"
			}
			got += mark + d.Volume + "/" + d.Path + " "
		}
		if got != c.want {
			t.Errorf("%q, not %q", got, c.want)
		}
	}
}

func TestUsage(t *testing.T) {
	f := newFixture(t)
	shared, one, two := random(1, 400_000), random(2, 100_000), random(3, 200_000)
	f.capture(tarOf(t, file{name: "a", content: shared}, file{name: "b", content: one}))
	f.capture(tarOf(t, file{name: "a", content: shared}, file{name: "b", content: two}))
	u, err := f.Usage(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var total int64
	for _, b := range objects(t, f.mem) {
		total += int64(len(b))
	}
	if u.Stored != total || u.Slabs != 2 || len(u.Captures) != 2 {
		t.Errorf("%+v, and all objects have %d bytes", u, total)
	}
	for i, want := range []int64{100_000, 200_000} {
		if got := u.Captures[i].Alone; got < want || got > want+3000 {
			t.Errorf("capture %d keeps %d bytes alone, want a little more than %d", i, got, want)
		}
	}
	f.capture(tarOf(t, file{name: "b", content: two}))
	if u, err = f.Usage(t.Context()); err != nil || u.Captures[1].Alone > 3000 {
		t.Errorf("what two captures keep counts for one: %+v, %v", u.Captures[1], err)
	}
}

func TestCompareHarmed(t *testing.T) {
	h := newHarmCase(t)
	left := clone(h.objects)
	for name := range left {
		if len(name) > 6 && name[:6] == "slabs/" {
			delete(left, name)
		}
	}
	r, err := store.Open(t.Context(), memoryOf(t, left), h.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	failed := false
	for _, err := range r.Compare(t.Context(), h.captures[0], h.captures[1], store.CompareOptions{}) {
		failed = err != nil
	}
	if !failed {
		t.Error("no error without slabs")
	}
	if _, err := r.Usage(t.Context()); err == nil {
		t.Error("usage without slabs: no error")
	}
}

// TestCompareTimes: members that stand as they did before, with times that another one had, have changed.
func TestCompareTimes(t *testing.T) {
	f := newFixture(t)
	at := func(hours ...int) (files []file) {
		for i, h := range hours {
			files = append(files, file{name: fmt.Sprintf("lot-%02d", i), content: []byte("bean"), hdr: func(to *tar.Header) { to.ModTime = to.ModTime.Add(time.Duration(h*h*h) * time.Hour) }})
		}
		return files
	}
	for _, c := range []struct {
		was, is []int
		want    string
	}{
		{[]int{1, 2}, []int{2}, "lot-00 lot-01"},
		{[]int{1, 2, 3, 4, 5, 6, 7}, []int{3, 4, 5, 6, 7}, "lot-00 lot-01 lot-02 lot-03 lot-04 lot-05 lot-06"},
		{[]int{3, 4, 5, 6, 7}, []int{1, 2, 3, 4, 5, 6, 7}, "lot-00 lot-01 lot-02 lot-03 lot-04 lot-05 lot-06"},
		{[]int{1, 2, 3}, []int{1, 2, 3}, ""},
		{[]int{1, 2, 3}, []int{1, 4, 3}, "lot-01"},
	} {
		was, is := f.capture(tarOf(t, at(c.was...)...)), f.capture(tarOf(t, at(c.is...)...))
		var got []string
		for d, err := range f.Compare(t.Context(), was, is, store.CompareOptions{}) {
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, d.Path)
		}
		if slices.Sort(got); strings.Join(got, " ") != c.want {
			t.Errorf("%v, %v: %q, not %q", c.was, c.is, got, c.want)
		}
	}
}
