package store_test

import (
	"archive/tar"
	"bytes"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// modelMember is a member as archive/tar reads it.
type modelMember struct {
	mode    int64
	uid     int
	time    time.Time
	link    string
	kind    byte
	content string
}

// modelOf reads a stream by archive/tar: by clean path, the last of each.
func modelOf(t *testing.T, stream []byte) map[string]modelMember {
	t.Helper()
	all := make(map[string]modelMember)
	uid := 0 // of a global header, which archive/tar leaves to its caller
	for r := tar.NewReader(bytes.NewReader(stream)); ; {
		h, err := r.Next()
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		if h.Typeflag == tar.TypeXGlobalHeader {
			fmt.Sscan(h.PAXRecords["uid"], &uid)
		} else {
			all[store.CleanPath(h.Name)] = modelMember{h.Mode, uid, h.ModTime, h.Linkname, h.Typeflag, string(b)}
		}
	}
}

// modelChanges says by archive/tar what differs: per clean path the words.
func modelChanges(was, is map[string]modelMember) map[string]string {
	all := make(map[string]string)
	for path, m := range is {
		old, ok := was[path]
		var words []string
		for _, w := range []struct {
			word    string
			differs bool
		}{
			{"added", !ok}, {"contents", ok && m.content != old.content}, {"type", ok && m.kind != old.kind}, {"link", ok && m.link != old.link},
			{"mode", ok && m.mode != old.mode}, {"owner", ok && m.uid != old.uid}, {"time", ok && !m.time.Equal(old.time)},
		} {
			if w.differs {
				words = append(words, w.word)
			}
		}
		if len(words) > 0 {
			all[path] = strings.Join(words, ", ")
		}
	}
	for path := range was {
		if _, ok := is[path]; !ok {
			all[path] = "gone"
		}
	}
	return all
}

// mutate gives the files of a later day: some changed, moved, removed, added, or there twice.
func mutate(random *rand.Rand, files []file) []file {
	files = slices.Clone(files)
	for range 1 + random.IntN(4) {
		at := random.IntN(len(files))
		f := files[at]
		switch random.IntN(8) {
		case 0:
			f.content = fmt.Appendf(nil, "%d %s", random.IntN(1000), bytes.Repeat([]byte("x"), random.IntN(60000)))
		case 1:
			hour := random.IntN(24)
			f.hdr = func(h *tar.Header) { h.ModTime = time.Date(2026, time.March, 14, hour, 0, 0, hour, time.UTC) }
		case 2:
			mode := int64(random.IntN(0o7777))
			f.hdr = func(h *tar.Header) { h.Mode = mode }
		case 3:
			files = slices.Delete(files, at, at+1)
			continue
		case 4:
			f.name = fmt.Sprintf("moved/%d", random.IntN(1000))
		case 5: // there twice
			f.content = []byte("again")
			files = append(files, f)
			continue
		case 6: // in another place of the stream
			files = append(slices.Delete(files, at, at+1), f)
			continue
		case 7:
			f.name = strings.Repeat("long/", 40) + f.name // by a pax record
			files = slices.Insert(files, at, f)
			continue
		}
		files[at] = f
	}
	return files
}

// TestCompareModel: whatever was done to a tar stream, the differences are those that
// archive/tar shows, also where headers say something of all members behind them.
func TestCompareModel(t *testing.T) {
	rounds := 60
	if testing.Short() {
		rounds = 5
	}
	f := newFixture(t)
	random := rand.New(rand.NewPCG(2026, 314))
	var files []file
	for n := range 1500 { // several chunks of member list
		files = append(files, file{name: fmt.Sprintf("beds/%d/lot-%d", n%7, n), content: fmt.Appendf(nil, "lot %d", n)})
	}
	was := tarOf(t, files...)
	captured := f.capture(was)
	for round := range rounds {
		files = mutate(random, files)
		is := tarOf(t, files...)
		if round%5 == 4 { // a global header, which gives all behind it an owner
			is = append(globalHeader(t, fmt.Sprint(1000+round)), is...)
		}
		next := f.capture(is)
		want := modelChanges(modelOf(t, was), modelOf(t, is))
		got := make(map[string]string)
		for d, err := range f.Compare(t.Context(), captured, next, store.CompareOptions{}) {
			if err != nil {
				t.Fatal(err)
			}
			path := store.CleanPath(d.Path)
			if _, twice := got[path]; twice {
				t.Errorf("round %d: %s comes twice", round, path)
			}
			got[path] = d.Changes.String()
		}
		if !maps.Equal(got, want) {
			for path, words := range want {
				if got[path] == words {
					delete(got, path)
					delete(want, path)
				}
			}
			t.Fatalf("round %d: got %.1000s, not %.1000s", round, fmt.Sprint(got), fmt.Sprint(want))
		}
		was, captured = is, next
	}
}

// TestCompareGlobal: what a global header gives all members behind it is compared as well, though their own headers are the
// same.
func TestCompareGlobal(t *testing.T) {
	f := newFixture(t)
	var files []file
	for n := range 300 {
		later := func(h *tar.Header) { h.ModTime = h.ModTime.Add(time.Duration(n*n) * time.Second) } // so that no stamps are alike by chance
		files = append(files, file{name: fmt.Sprintf("beds/%d/lot-%d", n%7, n), content: fmt.Appendf(nil, "lot %d", n), hdr: later})
	}
	for _, c := range []struct{ before, was, is string }{ // the owner that a header gives; "": there is none; before: it stands in the middle
		{"", "", "1000"}, {"", "1000", ""}, {"", "1000", "1001"}, {"lot", "", "1000"}, {"lot", "1000", ""}, {"lot", "1000", "1001"},
	} {
		stream := func(uid string) []byte {
			in := tarOf(t, files...)
			if uid == "" {
				return in
			}
			header := globalHeader(t, uid)
			if c.before == "" {
				return append(header, in...)
			}
			first := tarOf(t, files[:100]...)
			at := len(first) - 1024 // without its end
			return slices.Concat(in[:at], header, in[at:])
		}
		was, is := stream(c.was), stream(c.is)
		want := modelChanges(modelOf(t, was), modelOf(t, is))
		got := make(map[string]string)
		for d, err := range f.Compare(t.Context(), f.capture(was), f.capture(is), store.CompareOptions{}) {
			if err != nil {
				t.Fatal(err)
			}
			got[store.CleanPath(d.Path)] = d.Changes.String()
		}
		if !maps.Equal(got, want) || len(want) < 200 {
			t.Errorf("%+v: %d members differ, not %d", c, len(got), len(want))
		}
	}
}

// globalHeader gives a pax global header (POSIX.1-2017, pax, typeflag g) that names a user.
func globalHeader(t *testing.T, uid string) []byte {
	t.Helper()
	var buf bytes.Buffer
	w := tar.NewWriter(&buf)
	if err := w.WriteHeader(&tar.Header{Typeflag: tar.TypeXGlobalHeader, Name: "g", PAXRecords: map[string]string{"uid": uid}}); err != nil {
		t.Fatal(err)
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

// TestCompareOptions: kinds of change, paths, and folders of which only the time differs.
func TestCompareOptions(t *testing.T) {
	f := newFixture(t)
	folder := func(hour int) func(*tar.Header) {
		return func(h *tar.Header) {
			h.Typeflag, h.Mode, h.ModTime = tar.TypeDir, 0o750, h.ModTime.Add(time.Duration(hour)*time.Hour)
		}
	}
	was := f.capture(tarOf(t, file{name: "beds/", hdr: folder(0)}, file{name: "beds/lot", content: []byte("bean")}, file{name: "beds/mode"}, file{name: "gone"}, file{name: "touched"}))
	is := f.capture(tarOf(t, file{name: "beds/", hdr: folder(1)}, file{name: "beds/lot", content: []byte("pea"), hdr: touched}, file{name: "beds/mode", hdr: func(h *tar.Header) { h.Mode = 0o4644; h.Uname = "hazel" }},
		file{name: "touched", hdr: func(h *tar.Header) { h.ModTime = h.ModTime.Add(1) }}, file{name: "added"}))
	for _, c := range []struct {
		options store.CompareOptions
		want    string
	}{
		{store.CompareOptions{}, "beds/lot: contents, mode, time; beds/mode: mode, owner; touched: time; added: added; gone: gone; "},
		{store.CompareOptions{FolderTimes: true}, "beds/: time; beds/lot: contents, mode, time; beds/mode: mode, owner; touched: time; added: added; gone: gone; "},
		{store.CompareOptions{Changes: store.ChangeMode}, "beds/lot: contents, mode, time; beds/mode: mode, owner; "},
		{store.CompareOptions{Changes: store.ChangeAdded | store.ChangeGone}, "added: added; gone: gone; "},
		{store.CompareOptions{Wanted: fits("beds/lot")}, "beds/lot: contents, mode, time; "},
		{store.CompareOptions{Wanted: fits("beds"), FolderTimes: true}, "beds/: time; "},
	} {
		got, totals := "", store.DifferenceTotals{}
		for d, err := range f.Compare(t.Context(), was, is, c.options) {
			if err != nil {
				t.Fatal(err)
			}
			got += d.Path + ": " + d.Changes.String() + "; "
			totals.Add(d)
		}
		if got != c.want {
			t.Errorf("%s\nnot\n%s", got, c.want)
		}
		if want := (store.DifferenceTotals{Added: 1, Gone: 1, Changed: 3, Contents: 1, NewBytes: 3}); c.options.Changes == 0 && c.options.Wanted == nil && !c.options.FolderTimes && totals != want {
			t.Errorf("%+v, not %+v", totals, want)
		}
	}
	all, err := store.ParseChanges("added, gone,contents,type,link,mode,owner,time,attributes")
	if err != nil || all != 1<<9-1 || all.String() != "added, gone, contents, type, link, mode, owner, time, attributes" || len(store.Change(0).Words()) != 0 {
		t.Errorf("%v, %v", all, err)
	}
	for _, bad := range []string{"", "added,", "Mode", "colour"} {
		if _, err := store.ParseChanges(bad); err == nil {
			t.Errorf("%q is a kind of change", bad)
		}
	}
}
