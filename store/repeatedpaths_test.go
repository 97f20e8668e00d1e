package store_test

import (
	"archive/tar"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// repeatedPaths gives a stream as `tar -r` makes it: few paths, each of which may come again as something else, and hard
// links to what is there at their place.
func repeatedPaths(t testing.TB, r *rand.Rand) []byte {
	names := []string{"a", "b", "c", "d", "shelf/e", "shelf/f"}
	there := make(map[string]bool)
	var files []file
	for i := range 3 + r.IntN(9) {
		name := names[r.IntN(len(names))]
		targets := slices.DeleteFunc(slices.Clone(names), func(n string) bool { return !there[n] || n == name })
		switch kind := r.IntN(8); {
		case kind < 4 && len(targets) > 0:
			files = append(files, file{name: name, hdr: linkOf(tar.TypeLink, targets[r.IntN(len(targets))])})
		case kind == 4:
			files = append(files, file{name: name, hdr: linkOf(tar.TypeSymlink, fmt.Sprintf("to-%d", i))})
		default:
			files = append(files, file{name: name, content: []byte(strings.Repeat(fmt.Sprintf("content %d\n", i), 1+r.IntN(40)))})
		}
		there[name] = true
	}
	return tarOf(t, files...)
}

// contentsBelow gives what the files and symbolic links in a folder hold, by their paths.
func contentsBelow(t testing.TB, dir string) map[string]string {
	t.Helper()
	out := make(map[string]string)
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		name, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		if d.Type() == fs.ModeSymlink {
			to, err := os.Readlink(path)
			out[name] = "-> " + to
			return err
		}
		b, err := os.ReadFile(path)
		out[name] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestRepeatedPaths: where a stream has paths more than once, all ways to one member give what GNU tar makes of the stream
// (`tar -x`).
func TestRepeatedPaths(t *testing.T) {
	oneByOne(t)
	program, err := exec.LookPath("tar")
	if runtime.GOOS != "linux" || err != nil {
		t.Skip("needs GNU tar")
	}
	f := newFixture(t)
	for seed := range uint64(rounds(t, 20)) {
		r := rand.New(rand.NewPCG(seed, 1))
		in := repeatedPaths(t, r)
		dir := t.TempDir()
		extract := exec.Command(program, "-x", "-C", dir)
		extract.Stdin = bytes.NewReader(in)
		if out, err := extract.CombinedOutput(); err != nil {
			t.Fatalf("tar: %v: %s", err, out)
		}
		want := contentsBelow(t, dir)
		if seed%2 == 1 {
			in = withMany(t, in) // with an order
		}
		c := f.capture(in)
		whole := t.TempDir()
		v := &c.Volumes[0]
		if _, err := f.RestoreFolder(t.Context(), []*store.Volume{v}, whole, store.FolderOptions{}); err != nil {
			t.Fatal(err)
		}
		for name, got := range contentsBelow(t, whole) {
			if is, ok := want[name]; ok && is != got {
				t.Errorf("seed %d: %s restored as %q, want %q", seed, name, got, is)
			}
		}
		checkFound(t, f, c, seed, whole, want)
		for _, chosen := range subsets(r, want) {
			checkChosen(t, f, v, seed, chosen, want)
		}
		for name := range want {
			checkOpened(t, f, v, seed, name, want[name])
			if got, err := readFS(f.volumeFS(c), name); err != nil || got != want[name] {
				t.Errorf("seed %d: %s shown as %q, %v; want %q", seed, name, got, err, want[name])
			}
		}
	}
}

// subsets gives each path alone, and some of them together.
func subsets(r *rand.Rand, all map[string]string) (out [][]string) {
	var some []string
	for name := range all {
		out = append(out, []string{name})
	}
	slices.SortFunc(out, slices.Compare)
	for _, one := range out {
		if r.IntN(2) == 0 {
			some = append(some, one[0])
		}
	}
	if len(some) > 1 {
		out = append(out, some)
	}
	return out
}

// checkChosen restores some members alone.
func checkChosen(t *testing.T, f *fixture, v *store.Volume, seed uint64, chosen []string, all map[string]string) {
	t.Helper()
	dir := t.TempDir()
	_, err := f.RestoreFolder(t.Context(), []*store.Volume{v}, dir, store.FolderOptions{Match: fits(chosen...)})
	if err != nil {
		t.Errorf("seed %d: %q alone: %v", seed, chosen, err)
		return
	}
	got := contentsBelow(t, dir)
	for _, name := range chosen {
		if got[name] != all[name] {
			t.Errorf("seed %d: of %q alone, %s restored as %q, want %q", seed, chosen, name, got[name], all[name])
		}
	}
	if len(got) != len(chosen) {
		t.Errorf("seed %d: %q alone restores %d files", seed, chosen, len(got))
	}
}

// checkOpened reads one member by both ways to open one, and finds it.
func checkOpened(t *testing.T, f *fixture, v *store.Volume, seed uint64, name, want string) {
	t.Helper()
	_, content, err := f.OpenMember(t.Context(), v, name)
	checkContent(t, fmt.Sprintf("seed %d: %s by OpenMember", seed, name), content, err, want)
	opened, err := f.OpenVolume(t.Context(), v)
	if err != nil {
		t.Fatal(err)
	}
	file, err := opened.Open(t.Context(), name)
	if err != nil {
		checkContent(t, fmt.Sprintf("seed %d: %s by OpenVolume", seed, name), nil, err, want)
		return
	}
	checkContent(t, fmt.Sprintf("seed %d: %s by OpenVolume", seed, name), file, nil, want)
}

// checkFound finds all members, and holds what restoring would change against a folder where all were restored.
func checkFound(t *testing.T, f *fixture, c *store.Capture, seed uint64, whole string, want map[string]string) {
	t.Helper()
	for name, content := range want {
		found, err := f.FindMembers(t.Context(), []*store.Capture{c}, fits(name), store.FindOptions{})
		if err != nil || len(found.Members) != 1 {
			t.Errorf("seed %d: %s found: %v, %v", seed, name, found, err)
			continue
		}
		if size := found.Members[0].Versions[0].Size; !strings.HasPrefix(content, "-> ") && size != int64(len(content)) {
			t.Errorf("seed %d: %s found with %d bytes, want %d", seed, name, size, len(content))
		}
	}
	changes, err := f.FolderChanges(t.Context(), []*store.Volume{&c.Volumes[0]}, whole, store.FolderOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for _, change := range changes.Changes {
		if change.Kind != store.EntryChanged || slices.Contains(change.Differs, store.AspectSize) || slices.Contains(change.Differs, store.AspectKind) {
			t.Errorf("seed %d: %s would be changed where it was restored: %+v", seed, change.Path, change)
		}
	}
}

func checkContent(t *testing.T, what string, content io.ReadCloser, err error, want string) {
	t.Helper()
	if strings.HasPrefix(want, "-> ") {
		if !errors.Is(err, store.ErrNotFound) {
			t.Errorf("%s, a symbolic link: %v", what, err)
		}
		return
	}
	if err != nil {
		t.Errorf("%s: %v", what, err)
		return
	}
	defer content.Close()
	if got, err := io.ReadAll(content); err != nil || string(got) != want {
		t.Errorf("%s: %q, %v; want %q", what, got, err, want)
	}
}

// readFS reads a file, or where a symbolic link leads.
func readFS(fsys *store.VolumeFS, name string) (string, error) {
	info, err := fsys.Lstat(name)
	if err != nil {
		return "", err
	}
	if info.Mode().Type() == fs.ModeSymlink {
		to, err := fsys.ReadLink(name)
		return "-> " + to, err
	}
	b, err := fs.ReadFile(fsys, name)
	return string(b), err
}

// TestLinkOfReplaced: two links to what was not asked for, the first of which becomes another file in between: the second
// has the content that GNU tar gives it, and not that of the other.
func TestLinkOfReplaced(t *testing.T) {
	f := newFixture(t)
	c := f.capture(tarOf(t, file{name: "target", content: []byte("one")}, file{name: "first", hdr: linkOf(tar.TypeLink, "target")},
		file{name: "first", content: []byte("two")}, file{name: "second", hdr: linkOf(tar.TypeLink, "target")}))
	checkChosen(t, f, &c.Volumes[0], 0, []string{"first", "second"}, map[string]string{"first": "two", "second": "one"})
}
