package storage

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
)

// script is what the tests of this file interrupt at each call. Each step's object is
// never touched by another, except that remove takes away an object of before.
var script = []struct {
	method, name string
	size         int
}{
	{"put", "kist.json", 100},
	{"put", "slabs/ab/one", blockSize + 7},
	{"mark", "leases/mark", 50},
	{"put", "slabs/ab/two", 0},
	{"put", "captures/a/b/c", 10},
	{"remove", "slabs/ab/old", 0},
}

var (
	kinds      = []string{"captures", "leases", "slabs"}
	oldContent = []byte("old")
)

// run makes the calls of script, as far as they go, and gives each one's error.
func run(f *Folder) []error {
	var errs []error
	for _, s := range script {
		var err error
		switch s.method {
		case "put":
			err = f.Put(context.Background(), s.name, bytes.NewReader(content(s.size)))
		case "mark":
			err = f.Mark(context.Background(), s.name, content(s.size))
		case "remove":
			err = f.Remove(context.Background(), s.name)
		}
		errs = append(errs, err)
	}
	return errs
}

func content(size int) []byte { return bytes.Repeat([]byte("k"), size) }

// inspect tests that what was reported as done is there, and what was not is there
// wholly or not at all.
func inspect(t *testing.T, f *Folder, errs []error) {
	t.Helper()
	for i, s := range script {
		got, err := readAll(t.Context(), f, s.name)
		there := err == nil
		if !there && !errors.Is(err, ErrNotFound) {
			t.Errorf("%s: %v", s.name, err)
			continue
		}
		want := content(s.size)
		complete := there && bytes.Equal(got, want)
		switch {
		case s.method == "remove" && errs[i] == nil && there:
			t.Errorf("%s came back", s.name)
		case s.method == "remove" && there && !bytes.Equal(got, oldContent):
			t.Errorf("%s was changed", s.name)
		case s.method == "remove":
		case errs[i] == nil && !complete:
			t.Errorf("%s was reported as stored, but is there: %v, complete: %v", s.name, there, complete)
		case s.method == "put" && there && !complete:
			t.Errorf("%s is there in part: %d bytes", s.name, len(got))
		case s.method == "mark" && there && !bytes.HasPrefix(want, got):
			t.Errorf("%s is not the start of what was written", s.name)
		}
	}
}

// readAll gives an object's content, and tests that Stat and List agree on its presence.
func readAll(ctx context.Context, f *Folder, name string) ([]byte, error) {
	infos, err := f.List(ctx, "")
	if err != nil {
		return nil, err
	}
	listed := slices.ContainsFunc(infos, func(i Info) bool { return i.Name == name })
	info, err := f.Stat(ctx, name)
	if listed != (err == nil) {
		return nil, fmt.Errorf("listed: %v, but Stat says: %v", listed, err)
	}
	if err != nil {
		if err := f.ReadAt(ctx, name, nil, 0); !errors.Is(err, ErrNotFound) {
			return nil, fmt.Errorf("not listed, but read: %v", err)
		}
		return nil, err
	}
	p := make([]byte, info.Size)
	return p, f.ReadAt(ctx, name, p, 0)
}

// Each call to the system fails in turn: alone, with all that follow, and with the answer
// lost although it was done.
func TestFaults(t *testing.T) {
	for _, kind := range []fault{{}, {on: true}, {after: true}, {on: true, after: true}} {
		t.Run(fmt.Sprintf("on=%v,after=%v", kind.on, kind.after), func(t *testing.T) {
			for k, fired := 0, true; fired; k++ {
				fired = failAt(t, k, kind)
				if k > 1000 {
					t.Fatal("no end of calls")
				}
			}
		})
	}
}

func failAt(t *testing.T, k int, kind fault) (fired bool) {
	dir := filepath.Join(t.TempDir(), "repository")
	good, err := CreateFolder(dir, kinds...)
	if err != nil {
		t.Fatal(err)
	}
	defer good.Close()
	if err := good.Put(t.Context(), "slabs/ab/old", bytes.NewReader(oldContent)); err != nil {
		t.Fatal(err)
	}
	kind.at, kind.err = k, syscall.EIO
	faulty := &faultFiles{files: good.files, fault: kind}
	errs := run(newFolder(dir, faulty))
	if !faulty.fired() {
		if err := errors.Join(errs...); err != nil {
			t.Fatalf("without a fault: %v", err)
		}
		t.Logf("%d calls", k)
	}
	failed := faulty.calls[min(k, len(faulty.calls)-1)]
	for _, err := range errs {
		if e, ok := errors.AsType[*Error](err); err != nil && (!ok || !errors.Is(err, syscall.EIO) || e.Folder != dir || e.Name == "") {
			t.Errorf("after failing %q: error without cause, folder or name: %v", failed, err)
		}
	}
	if answered := strings.HasPrefix(failed, "rename") && kind.after; faulty.delivered && errors.Join(errs...) == nil && !answered {
		t.Errorf("failing %q goes unnoticed", failed)
	}
	inspect(t, good, errs)
	aside, err := good.Aside(t.Context())
	if err != nil {
		t.Error(err)
	}
	if !kind.on && !strings.HasPrefix(failed, "remove") && len(aside) > 0 {
		t.Errorf("after failing %q: left aside: %v", failed, aside)
	}
	if t.Failed() {
		t.Fatalf("with call %d failing: %s", k, failed)
	}
	return faulty.fired()
}

// The power fails at each call in turn, and then some of what was not flushed is lost.
func TestCrash(t *testing.T) {
	const chances = 10
	for k, fired := 0, true; fired; k++ {
		disk := newDisk(kinds...)
		if err := newFolder("disk", disk).Put(t.Context(), "slabs/ab/old", bytes.NewReader(oldContent)); err != nil {
			t.Fatal(err)
		}
		dying := &faultFiles{files: disk, fault: fault{at: k, on: true, err: errFault}}
		errs := run(newFolder("disk", dying))
		fired = dying.fired()
		for seed := range uint64(chances) {
			left := newFolder("disk", disk.crash(rand.New(rand.NewPCG(uint64(k), seed))))
			if inspect(t, left, errs); t.Failed() {
				t.Fatalf("power failed at call %d, seed %d; calls: %q", k, seed, dying.calls)
			}
		}
	}
}

// A folder that another process has just made may not have been flushed by it.
func TestCrashFolderOfAnother(t *testing.T) {
	disk := newDisk(kinds...)
	if err := disk.mkdir("slabs/ab"); err != nil {
		t.Fatal(err)
	}
	for seed := range uint64(20) {
		f := newFolder("disk", disk)
		name := fmt.Sprintf("slabs/ab/%d", seed)
		if err := f.Put(t.Context(), name, strings.NewReader("x")); err != nil {
			t.Fatal(err)
		}
		left := newFolder("disk", disk.crash(rand.New(rand.NewPCG(1, seed))))
		if _, err := left.Stat(t.Context(), name); err != nil {
			t.Fatal(err)
		}
	}
}

func TestRenameReportsFailure(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "repository")
	f, err := CreateFolder(dir, kinds...)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	real := f.files
	f.files = renameThen{real, func(to string) error { return syscall.EIO }}
	if err := f.Put(t.Context(), "captures/done", strings.NewReader("12345")); err != nil {
		t.Errorf("rename was done, but Put says: %v", err)
	}
	f.files = renameThen{real, func(to string) error {
		return errors.Join(syscall.EIO, os.Truncate(filepath.Join(dir, to), 3))
	}}
	if err := f.Put(t.Context(), "captures/short", strings.NewReader("12345")); !errors.Is(err, syscall.EIO) {
		t.Errorf("object is short, but Put says: %v", err)
	}
}

// renameThen renames and then returns what then does.
type renameThen struct {
	files
	then func(to string) error
}

func (r renameThen) rename(from, to string) error {
	if err := r.files.rename(from, to); err != nil {
		return err
	}
	return r.then(to)
}
