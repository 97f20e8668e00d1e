package store_test

import (
	"archive/tar"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"

	"github.com/kistarchive/kist/store"
)

// volumeFS gives the first volume of a capture as a file system.
func (f *fixture) volumeFS(c *store.Capture) *store.VolumeFS {
	f.t.Helper()
	fsys, err := f.FS(f.t.Context(), &c.Volumes[0])
	if err != nil {
		f.t.Fatal(err)
	}
	return fsys
}

// shelves gives a tar stream of many members, in the order in which they come or in another one.
func shelves(t testing.TB, n int, shuffled bool) []byte {
	t.Helper()
	var files []file
	dir := func(h *tar.Header) { h.Typeflag, h.Mode = tar.TypeDir, 0o755 }
	files = append(files, file{name: "./", hdr: dir})
	for i := range (n + 99) / 100 {
		shelf := fmt.Sprintf("./shelf-%03d", i)
		files = append(files, file{name: shelf + "/", hdr: dir})
		for j := range min(100, n-100*i) {
			files = append(files, file{name: fmt.Sprintf("%s/bean-%02d", shelf, j), content: random(byte(j), (i*j)%700)})
		}
	}
	if shuffled {
		for i := range files {
			j := (i * 7919) % len(files)
			files[i], files[j] = files[j], files[i]
		}
	}
	return tarOf(t, files...)
}

// TestFSConforms runs the standard library's own check of file systems (testing/fstest).
func TestFSConforms(t *testing.T) {
	link := func(to string) func(*tar.Header) {
		return func(h *tar.Header) { h.Typeflag, h.Linkname = tar.TypeSymlink, to }
	}
	for name, c := range map[string]struct {
		in   []byte
		want []string
	}{
		"empty":         {tarOf(t), nil},
		"no tar stream": {[]byte("beans\n"), []string{"data"}},
		"some": {tarOf(t,
			file{name: "/a/b/c", content: []byte("first")},
			file{name: "./a/b/c", content: []byte("second")},
			file{name: "a-", content: []byte("a file beside a folder")},
			file{name: "a/link", hdr: link("./b/../b/c")},
			file{name: "to-a", hdr: link("a/")},
			file{name: "hard", hdr: func(h *tar.Header) { h.Typeflag, h.Linkname = tar.TypeLink, "a/b/c" }},
		), []string{"a", "a/b", "a/b/c", "a/link", "a-", "to-a", "hard"}},
		"many":     {shelves(t, 160, false), []string{"shelf-001/bean-42"}},
		"shuffled": {shelves(t, 160, true), []string{"shelf-001/bean-42"}},
	} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t)
			if err := fstest.TestFS(f.volumeFS(f.capture(c.in)), c.want...); err != nil {
				t.Error(err)
			}
		})
	}
}

// TestFSByOrder holds a file system by an order against the members of the stream.
func TestFSByOrder(t *testing.T) {
	oneByOne(t)
	for name, in := range map[string][]byte{"sorted": shelves(t, 5000, false), "shuffled": shelves(t, 5000, true)} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t)
			c := f.capture(in)
			if !store.HasOrder(&c.Volumes[0]) {
				t.Fatal("the capture has no order")
			}
			f.checkFS(c, f.volumeFS(c))
		})
	}
}

// checkFS holds a file system against the members of the first volume of a capture: none twice.
func (f *fixture) checkFS(c *store.Capture, fsys *store.VolumeFS) {
	f.t.Helper()
	want := make(map[string]*store.Member)
	for m, err := range f.Members(f.t.Context(), &c.Volumes[0]) {
		if err != nil {
			f.t.Fatal(err)
		}
		want[store.CleanPath(m.Path)] = m
	}
	err := fs.WalkDir(fsys, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		m := want[name]
		delete(want, name)
		if m == nil && info.Sys() == nil && d.IsDir() {
			return nil // no member, and only above some
		}
		if got := info.Sys(); !reflect.DeepEqual(got, m) {
			f.t.Errorf("%s is %+v, not %+v", name, got, m)
		}
		again, err := fsys.Lstat(name)
		if err != nil || !reflect.DeepEqual(again.Sys(), m) {
			f.t.Errorf("%s is %+v by itself (%v)", name, again, err)
		}
		return nil
	})
	if err != nil || len(want) > 0 {
		f.t.Errorf("%d members were not found: %v", len(want), err)
	}
}

func symlinkTo(to string) func(*tar.Header) {
	return func(h *tar.Header) { h.Typeflag, h.Linkname = tar.TypeSymlink, to }
}

func hardTo(to string) func(*tar.Header) {
	return func(h *tar.Header) { h.Typeflag, h.Linkname = tar.TypeLink, to }
}

// oddTar has links of all kinds, paths of all kinds, and what is no file.
func oddTar(t testing.TB) []byte {
	return tarOf(t,
		file{name: "beds/one", content: []byte("one")},
		file{name: "beds/up", hdr: symlinkTo("../top")},
		file{name: "top", content: []byte("top")},
		file{name: "to-beds", hdr: symlinkTo("beds")},
		file{name: "out", hdr: symlinkTo("../../etc/passwd")},
		file{name: "absolute", hdr: symlinkTo("/etc/passwd")},
		file{name: "absolute-to-top", hdr: symlinkTo("/top")}, // which is there, but not where that would lead
		file{name: "out-to-top", hdr: symlinkTo("../top")},
		file{name: "beds/out-to-top", hdr: symlinkTo("../../top")},
		file{name: "nowhere", hdr: symlinkTo("gone")},
		file{name: "circle-a", hdr: symlinkTo("circle-b")},
		file{name: "circle-b", hdr: symlinkTo("circle-a")},
		file{name: "hard", hdr: hardTo("./beds/one")},
		file{name: "hard-to-hard", hdr: hardTo("hard")},
		file{name: "hard-to-link", hdr: hardTo("beds/up")},
		file{name: "hard-to-nothing", hdr: hardTo("gone")},
		file{name: "hard-a", hdr: hardTo("hard-b")},
		file{name: "hard-b", hdr: hardTo("hard-a")},
		file{name: "hard-to-folder", hdr: hardTo("folder")},
		file{name: "../escape", content: []byte("x")},
		file{name: "beds/../../escape", content: []byte("x")},
		file{name: "file", content: []byte("a file")},
		file{name: "file/below", content: []byte("x")},
		file{name: "twice", content: []byte("first")},
		file{name: "./twice", content: []byte("second")},
		file{name: "folder/", hdr: func(h *tar.Header) { h.Typeflag = tar.TypeDir }},
		file{name: "pipe", hdr: func(h *tar.Header) { h.Typeflag = tar.TypeFifo }},
		file{name: "Bl\xfcte", content: []byte("not UTF-8")},
	)
}

// withMany adds so many members that there is an order.
func withMany(t testing.TB, in []byte) []byte {
	return append(in[:len(in)-1024], shelves(t, 300, true)...)
}

// TestFSLinks: links of both kinds lead where they would lead once restored, and never out.
func TestFSLinks(t *testing.T) {
	for name, in := range map[string][]byte{"few": oddTar(t), "many": withMany(t, oddTar(t))} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t)
			fsys := f.volumeFS(f.capture(in))
			for name, want := range map[string]string{
				"beds/one": "one", "beds/up": "top", "to-beds/one": "one", "to-beds/up": "top", "hard": "one", "hard-to-hard": "one",
				"twice": "second", "file": "a file", "Bl\xfcte": "not UTF-8",
			} {
				if got, err := fs.ReadFile(fsys, name); err != nil || string(got) != want {
					t.Errorf("%s: %q, %v; want %q", name, got, err, want)
				}
			}
			for name, want := range map[string]error{
				"out": fs.ErrNotExist, "absolute": fs.ErrNotExist, "nowhere": fs.ErrNotExist,
				"absolute-to-top": fs.ErrNotExist, "out-to-top": fs.ErrNotExist, "beds/out-to-top": fs.ErrNotExist, "circle-a": fs.ErrInvalid,
				"hard-to-nothing": fs.ErrNotExist, "hard-a": fs.ErrNotExist, "hard-to-folder": fs.ErrNotExist,
				"escape": fs.ErrNotExist, "file/below": fs.ErrNotExist, "folder/gone": fs.ErrNotExist, "gone": fs.ErrNotExist,
				"../escape": fs.ErrInvalid, "/top": fs.ErrInvalid, "": fs.ErrInvalid, "beds/": fs.ErrInvalid, "a\x00b": fs.ErrInvalid,
			} {
				var path *fs.PathError
				if _, err := fsys.Stat(name); !errors.Is(err, want) || !errors.As(err, &path) {
					t.Errorf("%q: %v, want %v", name, err, want)
				}
			}
			if to, err := fsys.ReadLink("out"); err != nil || to != "../../etc/passwd" {
				t.Errorf("a link to %q, %v", to, err)
			}
			if _, err := fsys.ReadLink("top"); !errors.Is(err, fs.ErrInvalid) {
				t.Errorf("a file read as a link: %v", err)
			}
			if info, err := fsys.Lstat("to-beds"); err != nil || info.Mode().Type() != fs.ModeSymlink {
				t.Errorf("%v, %v", info, err)
			}
			if pipe, err := fsys.Open("pipe"); err != nil {
				t.Error(err)
			} else if _, err := pipe.Read(make([]byte, 1)); !errors.Is(err, fs.ErrInvalid) {
				t.Errorf("reading a pipe: %v", err)
			}
			checkTop(t, fsys)
		})
	}
}

// TestFSLongWay: links whose targets are long are followed as far as the longest path of Linux goes (PATH_MAX: 4096
// bytes, and so 2048 parts; limits.h), and no further.
func TestFSLongWay(t *testing.T) {
	f := newFixture(t)
	there := func(n int, end string) string { return strings.Repeat("d/../", n/2) + end } // of n+1 parts
	fsys := f.volumeFS(f.capture(tarOf(t,
		file{name: "end", content: []byte("one")}, file{name: "d/", hdr: func(h *tar.Header) { h.Typeflag = tar.TypeDir }},
		file{name: "longest", hdr: symlinkTo("./" + there(2046, "end"))},
		file{name: "longer", hdr: symlinkTo(there(2048, "end"))},
		file{name: "half", hdr: symlinkTo(there(1022, "end"))}, file{name: "whole", hdr: symlinkTo("./" + there(1022, "half"))},
		file{name: "more", hdr: symlinkTo("./././" + there(1022, "half"))},
	)))
	for name, want := range map[string]error{"half": nil, "longest": nil, "whole": nil, "longer": fs.ErrInvalid, "more": fs.ErrInvalid} {
		if _, err := fsys.Stat(name); !errors.Is(err, want) {
			t.Errorf("%s: %v, want %v", name, err, want)
		}
	}
}

// checkTop looks at what the volume's own folder holds.
func checkTop(t *testing.T, fsys *store.VolumeFS) {
	t.Helper()
	types := make(map[string]fs.FileMode)
	entries, err := fsys.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		types[e.Name()] = e.Type()
		if _, err := e.Info(); (err != nil) != (e.Type() == fs.ModeIrregular) {
			t.Errorf("%s: %v", e, err)
		}
	}
	for name, want := range map[string]fs.FileMode{
		"beds": fs.ModeDir, "folder": fs.ModeDir, "top": 0, "hard": 0, "out": fs.ModeSymlink, "hard-to-link": fs.ModeSymlink,
		"hard-to-nothing": fs.ModeIrregular, "hard-a": fs.ModeIrregular, "pipe": fs.ModeNamedPipe,
	} {
		if got, ok := types[name]; !ok || got != want {
			t.Errorf("%s is a %v (%v), not a %v", name, got, ok, want)
		}
	}
	if _, ok := types[".."]; ok {
		t.Error("the folder above is listed")
	}
}

// TestReadDirBehind gives a large folder in parts, wherever they begin.
func TestReadDirBehind(t *testing.T) {
	oneByOne(t)
	for name, in := range map[string][]byte{"sorted": shelves(t, 2000, false), "mixed": shelves(t, 2000, true), "few": shelves(t, 100, false)} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t)
			fsys := f.volumeFS(f.capture(in))
			for _, dir := range []string{".", "shelf-000"} {
				all, err := fsys.ReadDir(dir)
				if err != nil || len(all) == 0 {
					t.Fatalf("%d entries, %v", len(all), err)
				}
				var want, got []string
				for _, e := range all {
					want = append(want, e.Name())
				}
				after := ""
				for {
					part, err := fsys.ReadDirBehind(dir, after, 7)
					if err != nil || len(part) > 7 {
						t.Fatalf("%d entries, %v", len(part), err)
					}
					if len(part) == 0 {
						break
					}
					for _, e := range part {
						got = append(got, e.Name())
					}
					after = got[len(got)-1]
				}
				if !slices.Equal(got, want) || !slices.IsSorted(got) {
					t.Errorf("%s: in parts %q, at once %q", dir, got, want)
				}
			}
			part, err := fsys.ReadDirBehind("shelf-000", "bean-4", 1)
			if err != nil || len(part) != 1 || part[0].Name() != "bean-40" {
				t.Errorf("behind a name that is not there: %v, %v", part, err)
			}
			for _, c := range []struct{ dir, after string }{{".", "a/b"}, {"shelf-000/bean-00", ""}, {"gone", ""}} {
				if part, err := fsys.ReadDirBehind(c.dir, c.after, 3); err == nil {
					t.Errorf("%+v: %v", c, part)
				}
			}
		})
	}
}

// TestFSOfAClosedRepository fails as everything does, also for what is in memory: all of a few members.
func TestFSOfAClosedRepository(t *testing.T) {
	for _, members := range []int{120, 3000} {
		f := newFixture(t)
		fsys := f.volumeFS(f.capture(shelves(t, members, true)))
		uses := map[string]func() error{
			"Open":    func() error { _, err := fsys.Open("shelf-001/bean-01"); return err },
			"Stat":    func() error { _, err := fsys.Stat("shelf-001/bean-01"); return err },
			"Stat .":  func() error { _, err := fsys.Stat("."); return err },
			"ReadDir": func() error { _, err := fsys.ReadDir("."); return err },
		}
		f.Close()
		for name, use := range uses {
			if err := use(); !errors.Is(err, store.ErrClosed) {
				t.Errorf("%s of %d members: %v", name, members, err)
			}
		}
	}
}

// TestFSWithin: contents are read for as long as somebody waits for them, and by others afterwards.
func TestFSWithin(t *testing.T) {
	f := newFixture(t)
	fsys := f.volumeFS(f.capture(shelves(t, 300, false)))
	ctx, leave := context.WithCancel(t.Context())
	within := fsys.Within(ctx)
	opened, err := within.Open("shelf-001/bean-42")
	if err != nil {
		t.Fatal(err)
	}
	defer opened.Close()
	leave()
	if _, err := opened.Read(make([]byte, 1)); !errors.Is(err, context.Canceled) {
		t.Errorf("reading on: %v", err)
	}
	_, r := f.beside() // which has proved nothing yet
	c, err := r.Find(t.Context(), "latest")
	if err != nil {
		t.Fatal(err)
	}
	if fsys, err = r.FS(t.Context(), &c.Volumes[0]); err != nil {
		t.Fatal(err)
	}
	if _, err := fsys.Within(ctx).Open("shelf-001/bean-42"); !errors.Is(err, context.Canceled) {
		t.Errorf("opening: %v", err)
	}
	if _, err := fs.ReadFile(fsys, "shelf-001/bean-42"); err != nil {
		t.Errorf("for somebody else: %v", err)
	}
}

// TestFSBeside is used by several goroutines at once.
func TestFSBeside(t *testing.T) {
	f := newFixture(t)
	fsys := f.volumeFS(f.capture(shelves(t, 1000, true)))
	var users sync.WaitGroup
	for range 4 {
		users.Go(func() {
			n := 0
			err := fs.WalkDir(fsys, ".", func(name string, d fs.DirEntry, err error) error {
				n++
				if err == nil && d.Type().IsRegular() && n%50 == 0 {
					_, err = fs.ReadFile(fsys, name)
				}
				return err
			})
			if err != nil || n != 1011 {
				t.Errorf("%d members, %v", n, err)
			}
		})
	}
	users.Wait()
}

// TestFSOfWhatMoved: once space was reclaimed, it says so.
func TestFSOfWhatMoved(t *testing.T) {
	oneByOne(t)
	f := newFixture(t)
	beside := tarOf(t, file{name: "large", content: random(4, 400_000)})
	gone := f.capture(append(beside[:len(beside)-1024], shelves(t, 3000, true)...))
	c := f.capture(shelves(t, 3000, true))
	_, r := f.beside()
	seen, err := r.Find(t.Context(), c.ID)
	if err != nil {
		t.Fatal(err)
	}
	fsys, err := r.FS(t.Context(), &seen.Volumes[0])
	if err != nil {
		t.Fatal(err)
	}
	f.retire(gone)
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
	if _, err := fs.ReadFile(fsys, "shelf-011/bean-12"); !errors.Is(err, store.ErrMoved) {
		t.Errorf("what moved meanwhile: %v", err)
	}
}
