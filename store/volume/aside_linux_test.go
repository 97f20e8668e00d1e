package volume

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
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
	_, err := BuildBeside(t.Context(), dir, fill, nil)
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

// TestForeignMarker: somebody else's marker hides nothing.
func TestForeignMarker(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs root")
	}
	dir := t.TempDir()
	ok(t, os.Mkdir(dir+"/.before-20260101t000000z", 0o700))
	d, err := OpenFolder(dir)
	ok(t, err)
	defer d.Close()
	id, err := idAt(d.d, ".before-20260101t000000z")
	ok(t, err)
	m := &marker{home: d.d}
	ok(t, m.note(id))
	m.close()
	if names, _ := readNames(t, dir); len(names) != 1 {
		t.Errorf("ours: read %q", names)
	}
	ok(t, os.Chown(filepath.Join(dir, m.name), 12345, 12345))
	if names, _ := readNames(t, dir); len(names) != 3 {
		t.Errorf("somebody else's: read %q", names)
	}
}
