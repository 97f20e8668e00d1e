package store_test

import (
	"archive/tar"
	"fmt"
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
		"empty": {tarOf(t), nil},
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

