package volume

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func ok(t testing.TB, errs ...error) {
	t.Helper()
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
}

// someDay gives the time for dated names.
func someDay() time.Time { return time.Date(2026, 3, 14, 2, 3, 5, 0, time.UTC) }

const someStamp = "20260314t020305z"

var (
	oldTime = time.Date(2025, 1, 2, 3, 4, 5, 6, time.UTC)
	newTime = time.Date(2024, 1, 2, 3, 4, 5, 6, time.UTC)
)

// oldTree and newTree have a name in common that is a file here and a folder there.
func oldTree(dir string) error {
	return errors.Join(
		os.WriteFile(dir+"/catalogue.db", []byte("old"), 0o600),
		os.WriteFile(dir+"/old-only", []byte("old"), 0o640),
		os.Symlink("catalogue.db", dir+"/link"),
		os.Mkdir(dir+"/mixed", 0o700), os.WriteFile(dir+"/mixed/f", []byte("old"), 0o600),
		os.Chmod(dir, 0o711), os.Chtimes(dir, oldTime, oldTime))
}

func newTree(_ context.Context, dir string) error {
	return errors.Join(
		os.WriteFile(dir+"/catalogue.db", []byte("new"), 0o600),
		os.WriteFile(dir+"/mixed", []byte("new"), 0o600),
		os.Mkdir(dir+"/sub", 0o700), os.WriteFile(dir+"/sub/f", []byte("new"), 0o600),
		os.Chmod(dir, 0o750), os.Chtimes(dir, newTime, newTime))
}

// picture describes a tree: kinds, modes and contents of all, and the time of the top. Nil says
// that there is none.
func picture(t testing.TB, dir string) map[string]string {
	t.Helper()
	if !exists(dir) {
		return nil
	}
	found := make(map[string]string)
	ok(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		text := info.Mode().String()
		switch {
		case path == dir:
			text += info.ModTime().String()
		case d.Type().IsRegular():
			b, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			text += string(b)
		}
		found[strings.TrimPrefix(path, dir)] = text
		return nil
	}))
	return found
}

// scene is a target of one kind.
type scene struct {
	mover
	target   string // as given to Replace
	path     string // without links
	mounted  bool
	old, new map[string]string
}

// scenes make targets of each kind.
var scenes = map[string]struct {
	make func(t *testing.T, dir string) *scene
	how  Way
}{
	"missing": {func(t *testing.T, dir string) *scene { return &scene{target: dir + "/v"} }, Renamed},
	"empty": {func(t *testing.T, dir string) *scene {
		ok(t, os.Mkdir(dir+"/v", 0o700))
		return &scene{target: dir + "/v"}
	}, Exchanged},
	"full": {func(t *testing.T, dir string) *scene {
		ok(t, os.Mkdir(dir+"/v", 0o700), oldTree(dir+"/v"))
		return &scene{target: dir + "/v"}
	}, Exchanged},
	"no exchange": {func(t *testing.T, dir string) *scene {
		ok(t, os.Mkdir(dir+"/v", 0o700), oldTree(dir+"/v"))
		return &scene{target: dir + "/v", mover: noExchange{disk{}}}
	}, RenamedTwice},
	"link": {func(t *testing.T, dir string) *scene {
		ok(t, os.Mkdir(dir+"/v", 0o700), oldTree(dir+"/v"), os.Mkdir(dir+"/links", 0o700), os.Symlink("../v", dir+"/links/l"))
		return &scene{target: dir + "/links/l", path: dir + "/v"}
	}, Exchanged},
	"mount": {func(t *testing.T, dir string) *scene {
		mount(t, dir+"/v")
		ok(t, oldTree(dir+"/v"))
		return &scene{target: dir + "/v", mounted: true}
	}, EntryByEntry},
	"empty mount": {func(t *testing.T, dir string) *scene {
		mount(t, dir+"/v")
		return &scene{target: dir + "/v", mounted: true}
	}, EntryByEntry},
}

// noExchange is a system without renameat2.
type noExchange struct{ mover }

func (noExchange) exchange(*folder, string, string) error { return errors.ErrUnsupported }

// eachScene runs a test for each kind of target.
func eachScene(t *testing.T, test func(t *testing.T, name string, fresh func() *scene)) {
	for name, c := range scenes {
		t.Run(name, func(t *testing.T) {
			ok(t, os.Mkdir(t.TempDir()+"/new", 0o700))
			test(t, name, func() *scene { return newScene(t, c.make) })
		})
	}
}

func newScene(t *testing.T, make func(*testing.T, string) *scene) *scene {
	dir, err := filepath.EvalSymlinks(t.TempDir())
	ok(t, err)
	s := make(t, dir)
	if s.path == "" {
		s.path = s.target
	}
	if s.mover == nil {
		s.mover = disk{}
	}
	s.old = picture(t, s.path)
	example := t.TempDir() + "/new"
	ok(t, os.Mkdir(example, 0o700), newTree(t.Context(), example))
	s.new = picture(t, example)
	return s
}

// debris lists what is beside the target, or hidden in it, and not expected.
func (s *scene) debris(t *testing.T) (names []string) {
	t.Helper()
	dir, prefix := filepath.Dir(s.path), filepath.Base(s.path)+"."
	if s.mounted {
		dir, prefix = s.path, "."
	}
	all, err := namesIn(dir)
	ok(t, err)
	for _, name := range all {
		if strings.HasPrefix(name, prefix) && !strings.HasPrefix(name, markerPrefix) {
			names = append(names, filepath.Join(dir, name))
		}
	}
	return names
}

// live is what is in the place of the target, without folders of ours.
func (s *scene) live(t *testing.T) map[string]string {
	t.Helper()
	p := picture(t, s.path)
	if s.mounted {
		maps.DeleteFunc(p, func(name, _ string) bool {
			return strings.HasPrefix(name, "/.before-") || strings.HasPrefix(name, "/"+markerPrefix)
		})
	}
	return p
}

// kept is the picture of the previous tree. In a mount its top is one of ours.
func (s *scene) kept(t *testing.T, path string) bool {
	t.Helper()
	p, want := picture(t, path), maps.Clone(s.old)
	if s.mounted {
		delete(p, "")
		delete(want, "")
	}
	return maps.Equal(p, want)
}

func TestReplace(t *testing.T) {
	eachScene(t, func(t *testing.T, name string, fresh func() *scene) {
		for _, discard := range []bool{false, true} {
			s := fresh()
			r, err := replace(t.Context(), s.target, newTree, ReplaceOptions{DiscardPrevious: discard, Now: someDay}, s.mover)
			ok(t, err)
			if r.How != scenes[name].how || len(r.NotRestored) > 0 {
				t.Errorf("%+v", r)
			}
			if got := s.live(t); !maps.Equal(got, s.new) {
				t.Errorf("in place is\n%v, not\n%v", got, s.new)
			}
			want := ""
			if len(s.old) > 1 && !discard {
				want = (&site{path: s.path, mounted: s.mounted}).name("before-", someStamp)
				if !s.kept(t, want) {
					t.Errorf("kept is %v, not %v", picture(t, want), s.old)
				}
			}
			if got := strings.Join(s.debris(t), " "); r.Previous != want || got != want {
				t.Errorf("previous is %q, not %q; there are %s", r.Previous, want, got)
			}
			if info, err := os.Lstat(s.target); name == "link" && (err != nil || info.Mode()&fs.ModeSymlink == 0) {
				t.Errorf("the link is %v, %v", info, err)
			}
		}
	})
}

// TestReplaceAgain keeps each previous tree under a name of its own.
func TestReplaceAgain(t *testing.T) {
	eachScene(t, func(t *testing.T, name string, fresh func() *scene) {
		s := fresh()
		for i := range 3 {
			_, err := replace(t.Context(), s.target, newTree, ReplaceOptions{Now: someDay}, s.mover)
			ok(t, err)
			if i == 0 {
				ok(t, os.WriteFile(s.path+"/second", nil, 0o600))
			}
		}
		site := &site{path: s.path, mounted: s.mounted}
		want := []string{site.name("before-", someStamp), site.name("before-", someStamp+"-2"), site.name("before-", someStamp+"-3")}
		if len(s.old) < 2 {
			want = want[:2]
		}
		if got := s.debris(t); fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("there are %q, not %q", got, want)
		}
	})
}

// TestReplaceKeepsLook builds a tree that says nothing of its top folder.
func TestReplaceKeepsLook(t *testing.T) {
	dir := t.TempDir() + "/v"
	ok(t, os.Mkdir(dir, 0o700), os.Chmod(dir, 0o2715))
	if os.Geteuid() == 0 {
		ok(t, os.Chown(dir, 4711, 4712), os.Chmod(dir, 0o715|fs.ModeSetgid))
	}
	before, err := statPath(dir)
	ok(t, err)
	_, err = Replace(t.Context(), dir, func(_ context.Context, dir string) error { return os.WriteFile(dir+"/f", nil, 0o600) }, ReplaceOptions{})
	ok(t, err)
	after, err := statPath(dir)
	ok(t, err)
	if before.perm != after.perm || before.uid != after.uid || before.gid != after.gid {
		t.Errorf("%+v became %+v", before, after)
	}
}

func TestNotReplaceable(t *testing.T) {
	dir := t.TempDir()
	ok(t, os.WriteFile(dir+"/file", nil, 0o600), os.Symlink("nowhere", dir+"/dangling"), os.Symlink("loop", dir+"/loop"))
	build := func(context.Context, string) error {
		t.Error("build is called")
		return nil
	}
	root := filepath.VolumeName(dir) + string(filepath.Separator)
	for _, target := range []string{root, dir + "/file", dir + "/dangling", dir + "/loop"} {
		if _, err := Replace(t.Context(), target, build, ReplaceOptions{}); !errors.Is(err, ErrNotReplaceable) {
			t.Errorf("%s: %v", target, err)
		}
	}
	if _, err := Replace(t.Context(), dir+"/a/b", build, ReplaceOptions{}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("without a parent: %v", err)
	}
}
