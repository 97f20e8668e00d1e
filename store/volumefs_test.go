package store_test

import (
	"archive/tar"
	"fmt"
	"io/fs"
	"reflect"
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
