package storage_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// blockSize is the length of the pieces in which contents are written.
const blockSize = 1 << 20

// script is what the tests of this file interrupt at each call. Each step's object is
// never touched by another, except that remove takes away an object of before.
var script = []struct {
	method, name string
	size         int
}{
	{"put", "kist.json", 100},
	{"put", "slabs/ab/one", blockSize + 7},
	{"mark", "leases/mark", 1050},
	{"put", "slabs/ab/two", 0},
	{"put", "captures/a/b/c", 10},
	{"remove", "slabs/ab/old", 0},
}

var oldContent = []byte("old")

// newDisk gives a disk with one object that has been there for long.
func newDisk(t *testing.T) *storagetest.Disk {
	t.Helper()
	disk := storagetest.NewDisk(0)
	f, err := disk.Create(storagetest.Kinds()...)
	if err != nil {
		t.Fatal(err)
	}
	put(t, f, "slabs/ab/old", bytes.NewReader(oldContent))
	return disk
}

func openDisk(t *testing.T, disk *storagetest.Disk) *storage.Folder {
	t.Helper()
	f, err := disk.Open()
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// runScript makes the calls of script, as far as they go, and gives each one's error.
func runScript(f *storage.Folder) []error {
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
// wholly or not at all. After a crash, a mark may be zeros in part.
func inspect(t *testing.T, f *storage.Folder, errs []error, crashed bool) {
	t.Helper()
	for i, s := range script {
		got, err := readAll(t.Context(), f, s.name)
		there := err == nil
		if !there && !errors.Is(err, storage.ErrNotFound) {
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
		case s.method == "mark" && there && !crashed && !bytes.HasPrefix(want, got):
			t.Errorf("%s is not the start of what was written", s.name)
		}
	}
}

// readAll gives an object's content, and tests that Stat and List agree on its presence.
func readAll(ctx context.Context, f *storage.Folder, name string) ([]byte, error) {
	infos, err := f.List(ctx, "")
	if err != nil {
		return nil, err
	}
	listed := slices.ContainsFunc(infos, func(i storage.Info) bool { return i.Name == name })
	info, err := f.Stat(ctx, name)
	if listed != (err == nil) {
		return nil, fmt.Errorf("listed: %v, but Stat says: %v", listed, err)
	}
	if err != nil {
		if err := f.ReadAt(ctx, name, nil, 0); !errors.Is(err, storage.ErrNotFound) {
			return nil, fmt.Errorf("not listed, but read: %v", err)
		}
		return nil, err
	}
	p := make([]byte, info.Size)
	return p, f.ReadAt(ctx, name, p, 0)
}

// Each call to the file system goes wrong in turn: alone, with all that follow, with the
// answer lost although it was done, and with half a block written.
func TestFaults(t *testing.T) {
	for _, fault := range []storagetest.Fault{
		{Effect: storagetest.Fail, Once: true},
		{Effect: storagetest.Fail},
		{Effect: storagetest.FailAfter, Once: true},
		{Effect: storagetest.FailAfter},
		{Effect: storagetest.TearAndFail, Once: true, Keep: blockSize / 2},
		{Effect: storagetest.TearAndFail, Keep: blockSize / 2},
	} {
		t.Run(fmt.Sprintf("effect=%d,once=%v", fault.Effect, fault.Once), func(t *testing.T) {
			every := 1
			if testing.Short() {
				every = 5
			}
			for fault.From = 0; failAt(t, fault); fault.From += every {
				if fault.From > 1000 {
					t.Fatal("no end of calls")
				}
			}
			t.Logf("%d calls", fault.From)
		})
	}
}

func failAt(t *testing.T, fault storagetest.Fault) (fired bool) {
	disk := newDisk(t)
	good, f := openDisk(t, disk), openDisk(t, disk)
	var mu sync.Mutex
	var calls []string
	disk.Before(func(method storagetest.Method, name string) {
		mu.Lock()
		defer mu.Unlock()
		calls = append(calls, string(method)+" "+name)
	})
	fault.Err = syscall.EIO
	disk.Reset()
	disk.Inject(fault)
	errs := runScript(f)
	disk.Reset()
	if fired = len(calls) > fault.From; !fired {
		if err := errors.Join(errs...); err != nil {
			t.Fatalf("without a fault: %v", err)
		}
		return false
	}
	failed := calls[fault.From]
	for _, err := range errs {
		if e, ok := errors.AsType[*storage.Error](err); err != nil && (!ok || !errors.Is(err, syscall.EIO) || e.Folder != f.Path() || e.Name == "") {
			t.Errorf("after failing %q: error without cause, folder or name: %v", failed, err)
		}
	}
	// A rename that was done is seen to be done. What Put looks up beforehand is mostly absent.
	answered := fault.Effect != storagetest.Fail && (strings.HasPrefix(failed, "rename") || strings.HasPrefix(failed, "stat"))
	if errors.Join(errs...) == nil && !answered && !strings.HasPrefix(failed, "make folder") {
		t.Errorf("failing %q goes unnoticed", failed)
	}
	inspect(t, good, errs, false)
	aside, err := good.Aside(t.Context())
	if err != nil {
		t.Error(err)
	}
	if fault.Once && !strings.HasPrefix(failed, "remove") && len(aside) > 0 {
		t.Errorf("after failing %q: left aside: %v", failed, aside)
	}
	if t.Failed() {
		t.Fatalf("with call %d failing: %s", fault.From, failed)
	}
	return true
}

// The power fails at each call in turn, and then some of what was not flushed is lost.
func TestCrash(t *testing.T) {
	chances := 20
	if testing.Short() {
		chances = 4
	}
	points := 0
	for k, crashed := 0, true; crashed; k++ {
		disk := newDisk(t)
		f := openDisk(t, disk)
		disk.CrashAt(k)
		errs := runScript(f)
		crashed = disk.Crashed() // or all is done, and must last
		for seed := range uint64(chances) {
			left := openDisk(t, disk.Survivor(seed))
			if inspect(t, left, errs, true); t.Failed() {
				t.Fatalf("power failed at change %d, seed %d", k, seed)
			}
			points++
		}
	}
	t.Logf("%d crash points", points)
	if points < 25*chances {
		t.Errorf("only %d crash points: does the power fail?", points)
	}
}

// The power fails at each call that makes a repository's folder: another attempt
// must then succeed, and what it made must stay.
func TestCrashCreating(t *testing.T) {
	for k, crashed := 0, true; crashed; k++ {
		disk := storagetest.NewDisk(uint64(k))
		disk.CrashAt(k)
		_, err := disk.Create(storagetest.Kinds()...)
		if crashed = disk.Crashed(); crashed != errors.Is(err, storagetest.ErrCrashed) {
			t.Fatalf("change %d: %v", k, err)
		}
		for seed := range uint64(20) {
			left := disk.Survivor(seed)
			if !crashed {
				openDisk(t, left)
				continue
			}
			f, err := left.Create(storagetest.Kinds()...)
			if err != nil {
				t.Fatalf("change %d, seed %d: %v", k, seed, err)
			}
			put(t, f, "slabs/ab/x", bytes.NewReader(oldContent))
			left.Restart()
			wantContent(t, openDisk(t, left), "slabs/ab/x", string(oldContent))
		}
	}
}

// A folder that another process has just made may not have been flushed by it.
func TestCrashFolderOfAnother(t *testing.T) {
	for seed := range uint64(20) {
		disk := newDisk(t)
		disk.Inject(storagetest.Fault{Method: storagetest.SyncFolder, Effect: storagetest.Tear})
		put(t, openDisk(t, disk), "slabs/cd/of-another", strings.NewReader("x")) // and its flushing is still to come
		disk.Reset()
		put(t, openDisk(t, disk), "slabs/cd/ours", strings.NewReader("x"))
		left := openDisk(t, disk.Survivor(seed))
		if _, err := left.Stat(t.Context(), "slabs/cd/ours"); err != nil {
			t.Fatal(err)
		}
	}
}

func TestRenameReportsFailure(t *testing.T) {
	disk := newDisk(t)
	f := openDisk(t, disk)
	disk.Inject(storagetest.Fault{Method: storagetest.Rename, Effect: storagetest.FailAfter, Err: syscall.EIO})
	if err := f.Put(t.Context(), "captures/done", strings.NewReader("12345")); err != nil {
		t.Errorf("rename was done, but Put says: %v", err)
	}
	wantContent(t, f, "captures/done", "12345")

	lost := false
	disk.Before(func(method storagetest.Method, name string) {
		if method == storagetest.Stat && name == "captures/short" && disk.Truncate(name, 3) == nil {
			lost = true
		}
	})
	if err := f.Put(t.Context(), "captures/short", strings.NewReader("12345")); !errors.Is(err, syscall.EIO) || !lost {
		t.Errorf("object is short (%v), but Put says: %v", lost, err)
	}
	if _, err := f.Stat(t.Context(), "captures/short"); !errors.Is(err, storage.ErrNotFound) {
		t.Errorf("the short object is left: %v", err)
	}
}
