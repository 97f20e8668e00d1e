package volume

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// read gives the names of the members that are read of a folder, and the notes about what is left out.
func readNames(t *testing.T, dir string) (names []string, skipped []Note) {
	t.Helper()
	var b bytes.Buffer
	report, err := WriteTar(t.Context(), &b, dir, ReadOptions{})
	ok(t, err)
	for r := tar.NewReader(&b); ; {
		h, err := r.Next()
		if err == io.EOF {
			return names, report.Skipped
		}
		ok(t, err)
		names = append(names, strings.TrimPrefix(h.Name, "./"))
	}
}

// TestAsideLeftOut: what is kept in a mount point is not read with it, and what only has such a name is.
func TestAsideLeftOut(t *testing.T) {
	dir := t.TempDir() + "/m"
	mount(t, dir)
	fill := func(_ context.Context, f *Folder) error { return os.WriteFile(f.Path()+"/a", []byte("bean"), 0o600) }
	replace := func(o ReplaceOptions) *Replaced {
		t.Helper()
		done, err := ReplaceFolder(t.Context(), dir, fill, o)
		ok(t, err)
		return done
	}
	markers := func() int {
		found, err := filepath.Glob(dir + "/" + markerPrefix + "*")
		ok(t, err)
		return len(found)
	}
	replace(ReplaceOptions{})
	if markers() != 0 {
		t.Error("a marker of nothing is left")
	}
	replace(ReplaceOptions{})
	replace(ReplaceOptions{})
	_, err := BuildBeside(t.Context(), dir, fill, ReplaceOptions{})
	ok(t, err)
	own := dir + "/.before-20260101t000000z"
	ok(t, os.Mkdir(own, 0o700), os.WriteFile(own+"/mine", nil, 0o600))
	names, skipped := readNames(t, dir)
	if want := []string{"", ".before-20260101t000000z/", ".before-20260101t000000z/mine", "a"}; !slices.Equal(names, want) {
		t.Errorf("read %q, want %q", names, want)
	}
	if len(skipped) != 3 || markers() != 3 {
		t.Errorf("%d markers, left out: %v", markers(), skipped)
	}
	// A build that fails leaves nothing; one that was killed leaves what is left out.
	_, err = ReplaceFolder(t.Context(), dir, func(context.Context, *Folder) error { return os.ErrInvalid }, ReplaceOptions{})
	if !errors.Is(err, os.ErrInvalid) || markers() != 3 {
		t.Errorf("%v, and %d markers", err, markers())
	}
	func() {
		defer func() { recover() }() // as a kill: nothing is cleaned up
		ReplaceFolder(t.Context(), dir, func(_ context.Context, f *Folder) error {
			ok(t, os.WriteFile(f.Path()+"/half", nil, 0o600))
			panic("killed")
		}, ReplaceOptions{})
	}()
	if again, skipped := readNames(t, dir); !slices.Equal(again, names) || len(skipped) != 4 {
		t.Errorf("after a kill: read %q, left out: %v", again, skipped)
	}
	replace(ReplaceOptions{DiscardPrevious: true}) // and what was killed with it
	found, err := FindAside(dir)
	ok(t, err)
	for _, a := range found {
		if a.Path != own {
			ok(t, RemoveAside(a))
		}
	}
	if len(found) != 4 || markers() != 0 {
		t.Errorf("of %v %d markers are left", found, markers())
	}
}

// markedFolder makes a folder with a name that Replace gives, and a marker of it with a text for its inode number.
func markedFolder(t *testing.T, dir string, text func(Identity) string) (marker string) {
	t.Helper()
	ok(t, os.Mkdir(dir+"/.before-20260101t000000z", 0o700))
	id, err := IdentityOf(dir + "/.before-20260101t000000z")
	ok(t, err)
	marker = dir + "/" + markerPrefix + "abcdef"
	ok(t, os.WriteFile(marker, []byte(text(id)), 0o644))
	return marker
}

// TestForeignMarker: somebody else's marker hides nothing.
func TestForeignMarker(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs root")
	}
	dir := t.TempDir() + "/m"
	mount(t, dir)
	path := markedFolder(t, dir, func(id Identity) string { return fmt.Sprintf("%s%d %d\n", markerStart, id.Inode, id.Born) })
	if names, _ := readNames(t, dir); len(names) != 1 {
		t.Errorf("ours: read %q", names)
	}
	ok(t, os.Chown(path, 12345, 12345))
	if names, _ := readNames(t, dir); len(names) != 3 {
		t.Errorf("somebody else's: read %q", names)
	}
}

// TestMarkersCount: a marker counts in the root of a mount alone, also of one below, and for what was made when it
// says. What it tells without that is left out, and not proved.
func TestMarkersCount(t *testing.T) {
	full := func(id Identity) string { return fmt.Sprintf("%s%d %d\n", markerStart, id.Inode, id.Born) }
	for _, c := range []struct {
		name   string
		below  string // where in the mount the marker is
		text   func(Identity) string
		out    bool
		proved bool
	}{
		{"in the root", "", full, true, true},
		{"in a folder", "/seeds", full, false, false},
		{"by an earlier release", "", func(id Identity) string { return fmt.Sprintf("%s%d\n", olderMarkerStart, id.Inode) }, true, false},
		{"without a time", "", func(id Identity) string { return fmt.Sprintf("%s%d 0\n", markerStart, id.Inode) }, true, false},
		{"of what had the inode number before", "", func(id Identity) string { return fmt.Sprintf("%s%d %d\n", markerStart, id.Inode, id.Born-1) }, false, false},
		{"of another", "", func(id Identity) string { return fmt.Sprintf("%s%d %d\n", markerStart, id.Inode+1, id.Born) }, false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			top := t.TempDir()
			dir := top + "/m"
			mount(t, dir)
			ok(t, os.MkdirAll(dir+c.below, 0o700))
			markedFolder(t, dir+c.below, c.text)
			if id, err := IdentityOf(dir); err != nil || id.Born == 0 {
				t.Skip("the file system does not tell when files were made")
			}
			for _, from := range []string{dir, top} { // as the folder itself, and below it
				report, err := WriteTar(t.Context(), io.Discard, from, ReadOptions{CrossMounts: true})
				ok(t, err)
				if (len(report.LeftOut) == 1) != c.out || len(report.Skipped) != len(report.LeftOut) {
					t.Fatalf("%s: left out: %v, %v", from, report.LeftOut, report.Skipped)
				}
				if !c.out {
					continue
				}
				out := report.LeftOut[0]
				is, err := IdentityOf(from + "/" + out.Path)
				if err != nil || !is.Is(out.Identity) || out.Proved != c.proved {
					t.Errorf("%+v, %v", out, err)
				}
			}
			found, err := FindAside(dir)
			ok(t, err)
			for _, a := range found {
				if a.Marked != c.proved {
					t.Errorf("%+v", a)
				}
			}
		})
	}
}

// TestTornMount: what a killed call was moving in a mount point is not removed.
func TestTornMount(t *testing.T) {
	dir := t.TempDir() + "/m"
	mount(t, dir)
	const out, in, done = "/.out-20260314t020305z", "/.in-20260314t020306z", "/.out-20260314t020307z"
	ok(t, os.MkdirAll(dir+out+"/"+oldEntries, 0o700), os.MkdirAll(dir+in+"/"+newEntries, 0o700), os.MkdirAll(dir+done+"/"+newEntries, 0o700))
	found, err := FindAside(dir)
	ok(t, err)
	for _, a := range found {
		err := RemoveAside(a)
		if torn := a.Path != dir+done; torn != (a.Kind == AsideTorn) || torn != errors.Is(err, ErrTorn) || torn != exists(a.Path) {
			t.Errorf("%s is %s: %v", a.Path, a.Kind, err)
		}
	}
	if len(found) != 3 {
		t.Errorf("found %v", found)
	}
}

// TestReadTornMount: a mount point is not read while a part of its entries lies in a folder of a killed call.
func TestReadTornMount(t *testing.T) {
	dir := t.TempDir() + "/m"
	mount(t, dir)
	ok(t, os.WriteFile(dir+"/a", nil, 0o600), os.WriteFile(dir+"/b", nil, 0o600))
	m := &stopsAt{}
	fill := func(_ context.Context, f *Folder) error { return os.WriteFile(f.Path()+"/c", []byte("bean"), 0o600) }
	for m.n = 0; ; m.n++ {
		m.left = m.n
		done := func() (done bool) {
			defer func() { recover() }() // as a kill: nothing is cleaned up
			_, err := replaceFolder(t.Context(), dir, fill, ReplaceOptions{DiscardPrevious: true}, m)
			ok(t, err)
			return true
		}()
		found, err := FindAside(dir)
		ok(t, err)
		torn := slices.ContainsFunc(found, func(a Aside) bool { return a.Kind == AsideTorn })
		names, err := namesIn(dir)
		ok(t, err)
		names = slices.DeleteFunc(names, func(s string) bool { return s[0] == '.' })
		whole := slices.Equal(names, []string{"a", "b"}) || slices.Equal(names, []string{"c"})
		_, err = WriteTar(t.Context(), io.Discard, dir, ReadOptions{})
		if torn != errors.Is(err, ErrTorn) || err != nil && !torn || !whole && !torn {
			t.Errorf("after %d changes: %q, torn %t: %v", m.n, names, torn, err)
		}
		if done {
			break
		}
		_, err = Recover(dir)
		ok(t, err)
		_, err = WriteTar(t.Context(), io.Discard, dir, ReadOptions{})
		ok(t, err)
		// As it was.
		_, err = ReplaceFolder(t.Context(), dir, func(_ context.Context, f *Folder) error {
			return errors.Join(os.WriteFile(f.Path()+"/a", nil, 0o600), os.WriteFile(f.Path()+"/b", nil, 0o600))
		}, ReplaceOptions{DiscardPrevious: true})
		ok(t, err)
	}
	if m.n < 8 {
		t.Errorf("only %d changes", m.n)
	}
}

// stopsAt is a mover that ends the process, as far as the test goes, after so many changes of names.
type stopsAt struct {
	disk
	n, left int
}

func (m *stopsAt) rename(from *folder, name string, to *folder, newName string) error {
	m.step()
	return m.disk.rename(from, name, to, newName)
}

func (m *stopsAt) mkdir(at *folder, name string) (*folder, error) {
	m.step()
	return m.disk.mkdir(at, name)
}

func (m *stopsAt) removeAll(at *folder, name string, id inode) error {
	m.step()
	return m.disk.removeAll(at, name, id)
}

func (m *stopsAt) step() {
	if m.left--; m.left < 0 {
		panic("killed")
	}
}
