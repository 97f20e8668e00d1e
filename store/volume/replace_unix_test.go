//go:build linux || darwin

package volume

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
)

// A fault happens before what it stands for was done, or after it, or it is a kill, after which
// nothing more is done.
type faultKind int

const (
	faultBefore faultKind = iota
	faultAfter
	faultKill
)

var errFault = errors.New("injected fault")

// faulty is a mover with a fault at one call.
type faulty struct {
	mover
	kind  faultKind
	at    int
	calls int
	fired string // the call that failed
	hook  func() // in place of a fault
}

// do makes one call.
func (f *faulty) do(name string, call func() error) error {
	n := f.calls
	f.calls++
	if f.hook != nil {
		if n == f.at {
			f.fired = name
			f.hook()
		}
		return call()
	}
	switch {
	case n < f.at || n > f.at && f.kind != faultKill:
		return call()
	case n == f.at:
		f.fired = name
	}
	if f.kind == faultAfter {
		ignore := call()
		_ = ignore
	}
	return errFault
}

func (f *faulty) mkdir(at *folder, name string) (d *folder, err error) {
	err = f.do("mkdir", func() error {
		d, err = f.mover.mkdir(at, name)
		return err
	})
	if err != nil && d != nil {
		d.close()
	}
	return d, err
}

func (f *faulty) rename(from *folder, name string, to *folder, newName string) error {
	return f.do("rename", func() error { return f.mover.rename(from, name, to, newName) })
}

func (f *faulty) exchange(at *folder, a, b string) error {
	return f.do("exchange", func() error { return f.mover.exchange(at, a, b) })
}

func (f *faulty) flush(d *folder) error {
	return f.do("flush", func() error { return f.mover.flush(d) })
}

func (f *faulty) flushTree(d *folder) error {
	return f.do("flushTree", func() error { return f.mover.flushTree(d) })
}

func (f *faulty) removeEmpty(at *folder, name string) error {
	return f.do("removeEmpty", func() error { return f.mover.removeEmpty(at, name) })
}

func (f *faulty) removeAll(at *folder, name string, id inode) error {
	return f.do("removeAll", func() error { return f.mover.removeAll(at, name, id) })
}

func (f *faulty) dress(d *folder, l *look) (notes []Note, err error) {
	err = f.do("dress", func() error {
		notes, err = f.mover.dress(d, l)
		return err
	})
	return notes, err
}

// eachFault runs test with a fault at each call in turn, until none fires.
func eachFault(t *testing.T, kind faultKind, fresh func() *scene, test func(s *scene, f *faulty)) {
	for k := 0; ; k++ {
		s := fresh()
		f := &faulty{mover: s.mover, kind: kind, at: k}
		s.mover = f
		test(s, f)
		if f.fired == "" {
			if k < 4 {
				t.Errorf("only %d calls", k)
			}
			return
		}
		if t.Failed() {
			t.Fatalf("with a fault of kind %d at call %d, %s", kind, k, f.fired)
		}
	}
}

// TestReplaceFaults has each call fail once, before or after it does its work.
func TestReplaceFaults(t *testing.T) {
	eachScene(t, func(t *testing.T, name string, fresh func() *scene) {
		for _, kind := range []faultKind{faultBefore, faultAfter} {
			for _, discard := range []bool{false, true} {
				eachFault(t, kind, fresh, func(s *scene, f *faulty) {
					r, err := replace(t.Context(), s.target, newTree, ReplaceOptions{DiscardPrevious: discard, Now: someDay}, f)
					s.checkOutcome(t, f, r, err)
				})
			}
		}
	})
}

// checkOutcome checks that the whole old or the whole new tree is live, as err says.
func (s *scene) checkOutcome(t *testing.T, f *faulty, r *Replaced, err error) {
	t.Helper()
	live, debris := s.live(t), s.debris(t)
	heeded := []string{"mkdir", "flush", "flushTree"}
	if f.kind == faultBefore {
		heeded = append(heeded, "rename", "exchange", "removeAll")
	}
	if err == nil && slices.Contains(heeded, f.fired) {
		t.Errorf("no error after a fault of %s", f.fired)
	}
	if err == nil || errors.Is(err, ErrNotDiscarded) {
		if f.fired == "dress" && len(r.NotRestored) > 0 {
			live[""] = s.new[""]
		}
		if !maps.Equal(live, s.new) {
			t.Errorf("live is\n%v, not the new tree\n%v; error %v", live, s.new, err)
		}
		if r.Previous != "" && (err == nil && !s.kept(t, r.Previous) || !slices.Equal(debris, []string{r.Previous})) {
			t.Errorf("previous is %v at %s; there are %q", picture(t, r.Previous), r.Previous, debris)
		}
		if len(s.old) > 1 && err != nil && r.Previous == "" {
			t.Error("where the previous tree is, is not said")
		}
		return
	}
	if f.kind == faultAfter && f.fired == "mkdir" && !errors.Is(err, ErrTorn) {
		for _, path := range debris {
			ok(t, os.Remove(path)) // a folder that is empty
		}
		debris, live = nil, nil
		if s.mounted {
			return
		}
		live = s.live(t)
	}
	if !maps.Equal(live, s.old) || len(debris) > 0 || r != nil || errors.Is(err, ErrTorn) {
		t.Errorf("live is\n%v, not the old tree\n%v; there are %q; error %v", live, s.old, debris, err)
	}
	if !errors.Is(err, errFault) {
		t.Errorf("error %v", err)
	}
}

// TestReplaceKilled stops at each call, and checks that nothing is lost then, and that all is in order
// after the next call of Recover.
func TestReplaceKilled(t *testing.T) {
	eachScene(t, func(t *testing.T, name string, fresh func() *scene) {
		eachFault(t, faultKill, fresh, func(s *scene, f *faulty) {
			_, err := replace(t.Context(), s.target, newTree, ReplaceOptions{Now: someDay}, f)
			if live := s.live(t); errors.Is(err, ErrTorn) && maps.Equal(live, s.old) && len(s.old) > 1 {
				t.Errorf("%v, though the old tree is in its place", err)
			}
			found, err := Recover(s.target)
			ok(t, err)
			for _, path := range found.Left {
				if !strings.HasPrefix(path, (&site{path: s.path, mounted: s.mounted}).name("", "")) {
					t.Errorf("%s is left", path)
				}
				ok(t, os.RemoveAll(path))
			}
			s.checkRecovered(t, found)
			again, err := Recover(s.target)
			if err != nil || again.Undone || again.Completed || len(again.Left) > 0 {
				t.Errorf("recovered again: %+v, %v", again, err)
			}
			_, err = Replace(t.Context(), s.target, newTree, ReplaceOptions{})
			ok(t, err)
		})
	})
}

// TestRecoverKilled stops at each call of Replace and then at each call of Recover.
func TestRecoverKilled(t *testing.T) {
	for _, name := range []string{"full", "no exchange", "mount"} {
		t.Run(name, func(t *testing.T) {
			for k, fired := 0, true; fired; k++ {
				steps := 0
				for j, again := 0, true; again; j++ {
					s := newScene(t, scenes[name].make)
					f := &faulty{mover: s.mover, kind: faultKill, at: k}
					replace(t.Context(), s.target, newTree, ReplaceOptions{Now: someDay}, f)
					g := &faulty{mover: s.mover, kind: faultKill, at: j}
					site, _, err := orderedSite(s.target, g)
					site.close()
					if g.fired != "" && !errors.Is(err, errFault) {
						t.Errorf("no error after a fault of %s", g.fired)
					}
					found, err := Recover(s.target)
					ok(t, err)
					for _, path := range found.Left {
						ok(t, os.RemoveAll(path))
					}
					s.checkRecovered(t, found)
					fired, again = f.fired != "", g.fired != ""
					steps = j
				}
				if t.Failed() {
					t.Fatalf("killed at call %d, with %d calls to recover", k, steps)
				}
			}
		})
	}
}

// checkRecovered checks that the old tree is live, or the new one is and the old one is kept. A kill may
// have left another time at the root of a mount.
func (s *scene) checkRecovered(t *testing.T, found *Recovered) {
	t.Helper()
	live, old, fresh := s.live(t), maps.Clone(s.old), maps.Clone(s.new)
	if s.mounted {
		for _, p := range []map[string]string{live, old, fresh} {
			p[""] = p[""][:len("drwxr-xr-x")]
		}
	}
	var kept []string
	for _, path := range s.debris(t) {
		if !s.kept(t, path) {
			t.Errorf("%s is not the old tree", path)
		}
		kept = append(kept, path)
	}
	switch {
	case maps.Equal(live, old) && len(kept) == 0 && !found.Completed:
	case maps.Equal(live, fresh) && !found.Undone && (len(kept) == 1 || len(s.old) < 2):
		if found.Completed && found.Previous != kept[0] {
			t.Errorf("previous is %q, not %q", found.Previous, kept)
		}
	default:
		t.Errorf("live is\n%v; old was\n%v; kept are %q; found %+v", live, s.old, kept, found)
	}
}

// TestReplaceCancelled ends the context at each call.
func TestReplaceCancelled(t *testing.T) {
	eachScene(t, func(t *testing.T, name string, fresh func() *scene) {
		eachFault(t, faultBefore, fresh, func(s *scene, f *faulty) {
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			f.hook = cancel
			_, err := replace(ctx, s.target, newTree, ReplaceOptions{DiscardPrevious: true, Now: someDay}, f)
			want := s.new
			if err != nil {
				want = s.old
				if !errors.Is(err, context.Canceled) {
					t.Errorf("error %v", err)
				}
			}
			if live := s.live(t); !maps.Equal(live, want) || len(s.debris(t)) > 0 {
				t.Errorf("live is\n%v, not\n%v; there are %q; error %v", live, want, s.debris(t), err)
			}
			if early := f.fired == "mkdir" && f.at == 0 || f.fired == "flushTree"; early && err == nil {
				t.Errorf("not cancelled at %s", f.fired)
			}
		})
	})
}

// TestReplaceBuildFails has build fail at several places, one of them after it made a folder that forbids
// its removal.
func TestReplaceBuildFails(t *testing.T) {
	failed := errors.New("no such capture")
	builds := map[string]func(context.Context, string) error{
		"at once":  func(context.Context, string) error { return failed },
		"complete": func(ctx context.Context, dir string) error { return errors.Join(newTree(ctx, dir), failed) },
		"locked": func(ctx context.Context, dir string) error {
			return errors.Join(newTree(ctx, dir), os.Chmod(dir+"/sub", 0), os.Chmod(dir, 0o500), failed)
		},
		"itself removed": func(ctx context.Context, dir string) error { return errors.Join(os.RemoveAll(dir), failed) },
	}
	eachScene(t, func(t *testing.T, name string, fresh func() *scene) {
		for what, build := range builds {
			s := fresh()
			_, err := replace(t.Context(), s.target, build, ReplaceOptions{}, s.mover)
			if live := s.live(t); !errors.Is(err, failed) || !maps.Equal(live, s.old) || len(s.debris(t)) > 0 {
				t.Errorf("%s: live is\n%v, not\n%v; there are %q; error %v", what, live, s.old, s.debris(t), err)
			}
		}
	})
}

// TestReplaceBusy replaces a folder in which a process, this one, has a file and the folder open.
func TestReplaceBusy(t *testing.T) {
	s := newScene(t, scenes["full"].make)
	t.Chdir(s.path)
	f, err := os.OpenFile("catalogue.db", os.O_RDWR, 0)
	ok(t, err)
	defer f.Close()
	r, err := Replace(t.Context(), s.target, newTree, ReplaceOptions{})
	ok(t, err)
	_, err = f.WriteString("still the old")
	ok(t, err)
	for path, want := range map[string]string{
		"catalogue.db": "still the old", r.Previous + "/catalogue.db": "still the old", s.path + "/catalogue.db": "new",
	} {
		if got, err := os.ReadFile(path); string(got) != want || err != nil {
			t.Errorf("%s: %q, %v", path, got, err)
		}
	}
}

// TestRecoverLeavesOthers has names beside the target that are like those of ours.
func TestRecoverLeavesOthers(t *testing.T) {
	s := newScene(t, scenes["full"].make)
	var want []string
	for _, name := range []string{
		".new-server", ".new-20260314t020305z.1", ".new-20260314t020305z.x", ".before-20260314t020305z", ".new-", ".out-20260314t020305z",
	} {
		ok(t, os.Mkdir(s.path+name, 0o700), os.WriteFile(s.path+name+"/f", []byte("x"), 0o600))
		want = append(want, s.path+name)
	}
	found, err := Recover(s.target)
	ok(t, err)
	slices.Sort(want)
	if found.Undone || found.Completed || !slices.Equal(s.debris(t), want) || !maps.Equal(s.live(t), s.old) {
		t.Errorf("found %+v, there are %q", found, s.debris(t))
	}
	if left := fmt.Sprint(found.Left); left != fmt.Sprint([]string{s.path + ".new-20260314t020305z.1", s.path + ".new-server"}) {
		t.Errorf("left %s", left)
	}
}

// TestMountWithin has something mounted in the target.
func TestMountWithin(t *testing.T) {
	for _, name := range []string{"full", "mount"} {
		s := newScene(t, scenes[name].make)
		mount(t, s.path+"/within")
		ok(t, os.WriteFile(s.path+"/within/f", nil, 0o600))
		_, err := Replace(t.Context(), s.target, newTree, ReplaceOptions{DiscardPrevious: true})
		if !errors.Is(err, ErrNotReplaceable) || !exists(s.path+"/within/f") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestReplaceMountKeepsEarlier restores a tree which has a folder that an earlier call kept.
func TestReplaceMountKeepsEarlier(t *testing.T) {
	s := newScene(t, scenes["mount"].make)
	for _, stamp := range []string{"20250101t000000z", "20250202t000000z"} {
		ok(t, os.Mkdir(s.path+"/.before-"+stamp, 0o700), os.WriteFile(s.path+"/.before-"+stamp+"/f", []byte("old"), 0o600))
	}
	r, err := Replace(t.Context(), s.target, func(ctx context.Context, dir string) error {
		name := dir + "/.before-20250202t000000z"
		return errors.Join(os.Mkdir(name, 0o700), os.WriteFile(name+"/f", []byte("new"), 0o600))
	}, ReplaceOptions{})
	ok(t, err)
	for path, want := range map[string]string{
		"/.before-20250101t000000z/f": "old", "/.before-20250202t000000z/f": "new",
		"/" + r.Previous[len(s.path)+1:] + "/.before-20250202t000000z/f": "old",
	} {
		if got, err := fs.ReadFile(os.DirFS(s.path), path[1:]); string(got) != want || err != nil {
			t.Errorf("%s: %q, %v", path, got, err)
		}
	}
}

// TestRecoverFindsPlaceTaken has a service that wrote a file of its own before the old tree was put back.
func TestRecoverFindsPlaceTaken(t *testing.T) {
	s := newScene(t, scenes["mount"].make)
	before := s.path + "/.out-" + someStamp + "/old"
	ok(t, os.MkdirAll(before, 0o700), os.Rename(s.path+"/catalogue.db", before+"/catalogue.db"))
	ok(t, os.WriteFile(s.path+"/catalogue.db", []byte("written since"), 0o600))
	for _, recover := range []func() error{
		func() error { _, err := Recover(s.target); return err },
		func() error { _, err := Replace(t.Context(), s.target, newTree, ReplaceOptions{}); return err },
	} {
		if err := recover(); !errors.Is(err, fs.ErrExist) || !strings.Contains(err.Error(), "catalogue.db") {
			t.Errorf("got %v", err)
		}
	}
	for path, want := range map[string]string{before + "/catalogue.db": "old", s.path + "/catalogue.db": "written since"} {
		if got, err := os.ReadFile(path); string(got) != want || err != nil {
			t.Errorf("%s: %q, %v", path, got, err)
		}
	}
	ok(t, os.Remove(s.path+"/catalogue.db"))
	found, err := Recover(s.target)
	if got, _ := os.ReadFile(s.path + "/catalogue.db"); err != nil || !found.Undone || string(got) != "old" || exists(before) {
		t.Errorf("found %+v, %v; in place is %q", found, err, got)
	}
}
