package storagetest

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/files"
)

// openRaw gives a disk with a folder x, flushed, and its file system.
func openRaw(t *testing.T) (*Disk, files.System) {
	t.Helper()
	d := NewDisk(7)
	p := place{d}
	if err := errors.Join(p.Make(), p.Flush()); err != nil {
		t.Fatal(err)
	}
	fs, err := p.Open()
	if err == nil {
		err = errors.Join(fs.Mkdir("x"), fs.SyncFolder("."))
	}
	if err != nil {
		t.Fatal(err)
	}
	return d, fs
}

func writeRaw(t *testing.T, fs files.System, name string, content []byte, sync bool) {
	t.Helper()
	w, err := fs.Create(name)
	if err == nil {
		_, err = w.Write(content)
	}
	if err == nil && sync {
		err = w.Sync()
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
}

// contents gives what is in folder x of what a crash leaves, by name.
func contents(t *testing.T, d *Disk) map[string]string {
	t.Helper()
	fs, err := place{d}.Open()
	if err != nil {
		t.Fatal(err)
	}
	infos, err := fs.List("x")
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]string{}
	for _, info := range infos {
		r, err := fs.Open("x/" + info.Name())
		if err != nil {
			t.Fatal(err)
		}
		b := make([]byte, info.Size())
		if _, err := r.ReadAt(b, 0); err != nil && len(b) > 0 {
			t.Fatal(err)
		}
		all[info.Name()] = string(b)
	}
	return all
}

// Each thing that a crash may leave is left for some seed, and nothing else is.
func TestSurvivors(t *testing.T) {
	long := strings.Repeat("k", 3*block+5)
	tests := []struct {
		name string
		do   func(*testing.T, files.System)
		want func(map[string]string) string // classifies what is left; "": it must not be
		all  []string
	}{
		{"flushed", func(t *testing.T, fs files.System) {
			writeRaw(t, fs, "x/a", []byte(long), true)
			fs.SyncFolder("x")
		}, func(m map[string]string) string {
			if m["a"] == long {
				return "there"
			}
			return ""
		}, []string{"there"}},
		{"entry not flushed", func(t *testing.T, fs files.System) {
			writeRaw(t, fs, "x/a", []byte("k"), true)
		}, func(m map[string]string) string {
			if c, ok := m["a"]; !ok || c == "k" {
				return map[bool]string{true: "there", false: "absent"}[ok]
			}
			return ""
		}, []string{"absent", "there"}},
		{"content not flushed", func(t *testing.T, fs files.System) {
			writeRaw(t, fs, "x/a", []byte(long), false)
			fs.SyncFolder("x")
		}, func(m map[string]string) string {
			c, ok := m["a"]
			switch {
			case !ok || len(c) > len(long):
				return ""
			case c == "":
				return "empty"
			case c == long:
				return "whole"
			case c == strings.Repeat("\x00", len(long)):
				return "zeros"
			case len(c) == len(long):
				return "some zeros"
			case strings.HasPrefix(long, c):
				return "cut"
			}
			return ""
		}, []string{"cut", "empty", "some zeros", "whole", "zeros"}},
		{"move not flushed", func(t *testing.T, fs files.System) {
			writeRaw(t, fs, "x/a", []byte("k"), true)
			fs.SyncFolder("x")
			fs.Rename("x/a", "x/b")
		}, func(m map[string]string) string {
			var names []string
			for name, c := range m {
				if c != "k" {
					return ""
				}
				names = append(names, name)
			}
			slices.Sort(names)
			return "[" + strings.Join(names, "") + "]"
		}, []string{"[]", "[a]", "[ab]", "[b]"}},
		{"removals not flushed", func(t *testing.T, fs files.System) {
			writeRaw(t, fs, "x/a", []byte("k"), true)
			writeRaw(t, fs, "x/b", []byte("k"), true)
			fs.SyncFolder("x")
			fs.Remove("x/a")
			fs.Remove("x/b")
		}, func(m map[string]string) string {
			return "[" + m["a"] + "," + m["b"] + "]"
		}, []string{"[,]", "[,k]", "[k,]", "[k,k]"}},
		{"removal flushed", func(t *testing.T, fs files.System) {
			writeRaw(t, fs, "x/a", []byte("k"), true)
			fs.SyncFolder("x")
			fs.Remove("x/a")
			fs.SyncFolder("x")
		}, func(m map[string]string) string {
			if len(m) == 0 {
				return "gone"
			}
			return ""
		}, []string{"gone"}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			d, fs := openRaw(t)
			test.do(t, fs)
			seen := map[string]bool{}
			for seed := range uint64(200) {
				first, again := contents(t, d.Survivor(seed)), contents(t, d.Survivor(seed))
				if test.want(first) != test.want(again) {
					t.Errorf("seed %d leaves %q, then %q", seed, first, again)
				}
				seen[test.want(first)] = true
			}
			var got []string
			for kind := range seen {
				got = append(got, kind)
			}
			slices.Sort(got)
			if !slices.Equal(got, test.all) {
				t.Errorf("left: %q, want %q", got, test.all)
			}
		})
	}
}

// Seed 0 loses all that was not flushed, and seed 1 nothing.
func TestExtremes(t *testing.T) {
	d, fs := openRaw(t)
	writeRaw(t, fs, "x/a", []byte("k"), false)
	if left := contents(t, d.Survivor(0)); len(left) != 0 {
		t.Errorf("left: %q", left)
	}
	if left := contents(t, d.Survivor(1)); left["a"] != "k" {
		t.Errorf("left: %q", left)
	}
}

func TestCrashAt(t *testing.T) {
	for k := range 4 {
		d, fs := openRaw(t)
		d.CrashAt(k)
		errs := []error{fs.Mkdir("a"), fs.Mkdir("b"), fs.Mkdir("c")}
		for i, err := range errs {
			if errors.Is(err, ErrCrashed) != (i >= k) {
				t.Errorf("power fails at %d, but call %d gives %v", k, i, err)
			}
		}
		if d.Crashed() != (k < 3) {
			t.Errorf("power fails at %d: crashed: %v", k, d.Crashed())
		}
		d.Restart()
		if _, err := fs.Stat("x"); !errors.Is(err, ErrCrashed) {
			t.Errorf("opened before the crash: %v", err)
		}
		if _, err := fs.Create("x/y"); !errors.Is(err, ErrCrashed) {
			t.Errorf("opened before the crash: %v", err)
		}
		if again, err := (place{d}).Open(); err != nil || again.Mkdir("d") != nil {
			t.Errorf("after the restart: %v", err)
		}
	}
}

// What happens on a fork or a survivor does not show on the disk it is of.
func TestFork(t *testing.T) {
	d, fs := openRaw(t)
	w, err := fs.Create("x/a")
	if err != nil {
		t.Fatal(err)
	}
	w.Write(make([]byte, 10))
	w.Sync()
	fs.SyncFolder("x")
	w.Write([]byte("not flushed"))
	fork := d.Fork()
	if _, err := w.Write([]byte("later")); err != nil {
		t.Fatal(err)
	}
	if got := contents(t, fork)["a"]; !strings.HasSuffix(got, "not flushed") {
		t.Errorf("a fork has %q", got)
	}
	if got := contents(t, fork.Survivor(0))["a"]; len(got) != 10 {
		t.Errorf("a fork flushes: %q", got)
	}
	forked, err := place{fork}.Open()
	if err != nil {
		t.Fatal(err)
	}
	if err := forked.Remove("x/a"); err != nil {
		t.Fatal(err)
	}
	if got := contents(t, d)["a"]; !strings.HasSuffix(got, "later") {
		t.Errorf("the disk has %q", got)
	}
}

func TestSpace(t *testing.T) {
	d, fs := openRaw(t)
	d.Space(10)
	w, err := fs.Create("x/a")
	if err != nil {
		t.Fatal(err)
	}
	if n, err := w.Write(make([]byte, 11)); n != 10 || !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("wrote %d bytes: %v", n, err)
	}
	fs.Remove("x/a")
	writeRaw(t, fs, "x/b", make([]byte, 10), true)
	d.Space(-1)
	writeRaw(t, fs, "x/c", make([]byte, 1000), true)
}

// A listing shows the folder as it was some changes ago.
func TestLag(t *testing.T) {
	names := func(s storage.Storage, folder string) string {
		infos, err := s.List(t.Context(), folder)
		if err != nil {
			t.Fatal(err)
		}
		var names []string
		for _, info := range infos {
			names = append(names, info.Name)
		}
		return strings.Join(names, " ")
	}
	d := NewDisk(0)
	f, err := d.Create(Kinds()...)
	if err != nil {
		t.Fatal(err)
	}
	mustPut(t, f, "slabs/a", nil)
	before := d.Changes()
	mustPut(t, f, "slabs/b", nil)
	if err := f.Remove(t.Context(), "slabs/a"); err != nil {
		t.Fatal(err)
	}
	d.Lag(d.Changes() - before)
	if got := names(f, "slabs"); got != "slabs/a" {
		t.Errorf("listed late: %q", got)
	}
	d.Lag(0)
	if got := names(f, "slabs"); got != "slabs/b" {
		t.Errorf("listed: %q", got)
	}

	faulty := NewFaulty(storage.NewMemory())
	faulty.Lag(2)
	mustPut(t, faulty, "slabs/a", []byte("k"))
	mustPut(t, faulty, "leases/a", nil)
	for i, want := range []string{"", "slabs/a", "slabs/a"} {
		if got := names(faulty, "slabs"); got != want {
			t.Errorf("listing %d: %q, want %q", i, got, want)
		}
	}
	if err := faulty.Remove(t.Context(), "slabs/a"); err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"slabs/a", "slabs/a", ""} {
		if got := names(faulty, "slabs"); got != want {
			t.Errorf("listing %d after removing: %q, want %q", i, got, want)
		}
	}
}

func TestLatency(t *testing.T) {
	f := NewFaulty(storage.NewMemory())
	mustPut(t, f, "slabs/a", nil)
	wantObject(t, f, "slabs/a", nil)
	if got := f.Latency(20 * time.Millisecond); got != 60*time.Millisecond {
		t.Errorf("3 calls take %v", got)
	}
}

// A write, a flush and a folder's flush that lie, and a flush that drops content.
func TestTornCalls(t *testing.T) {
	d, fs := openRaw(t)
	d.Inject(Fault{Method: Write, Effect: Tear, Keep: 3, Once: true}, Fault{Method: Sync, Effect: Tear}, Fault{Method: SyncFolder, Effect: Tear})
	d.script.calls = nil
	w, err := fs.Create("x/a")
	if err != nil {
		t.Fatal(err)
	}
	if n, err := w.Write([]byte("12345")); n != 3 || err != nil {
		t.Errorf("wrote %d bytes: %v", n, err)
	}
	if n, err := w.Write([]byte("45")); n != 2 || err != nil {
		t.Errorf("wrote %d bytes: %v", n, err)
	}
	if err := errors.Join(w.Sync(), w.Close(), fs.SyncFolder("x")); err != nil {
		t.Error(err)
	}
	if got := contents(t, d); got["a"] != "12345" {
		t.Errorf("there: %q", got)
	}
	if got := contents(t, d.Survivor(0)); len(got) > 0 {
		t.Errorf("flushed: %q", got)
	}
	d.Inject(Fault{Method: Sync, Effect: TearAndFail, Keep: 2})
	if err := w.Sync(); !errors.Is(err, ErrInjected) {
		t.Error(err)
	}
	if got := contents(t, d); got["a"] != "12" {
		t.Errorf("there: %q", got)
	}
	if err := d.Truncate("x/a", 1); err != nil || !bytes.Equal([]byte(contents(t, d.Survivor(0))["a"]), nil) {
		t.Error(err)
	}
}
