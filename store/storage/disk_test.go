package storage_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// maxHandles is how many files a Folder keeps open for reading.
const maxHandles = 32

// Read handles are bounded, shared, and closed in the end.
func TestHandles(t *testing.T) {
	disk := storagetest.NewDisk(0)
	f, err := disk.Create(storagetest.Kinds()...)
	if err != nil {
		t.Fatal(err)
	}
	const objects = 3 * maxHandles
	for i := range objects {
		put(t, f, fmt.Sprintf("slabs/%d", i), bytes.NewReader(content(100+i)))
	}
	var wait sync.WaitGroup
	for w := range 6 {
		wait.Go(func() {
			for i := range 40 * objects {
				n := (i*7 + w) % objects
				if err := f.ReadAt(t.Context(), fmt.Sprintf("slabs/%d", n), make([]byte, 100+n), 0); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wait.Wait()
	if n := disk.OpenFiles(); n != maxHandles {
		t.Errorf("%d handles are open, want %d", n, maxHandles)
	}
	for i := range objects {
		if err := f.Remove(t.Context(), fmt.Sprintf("slabs/%d", i)); err != nil {
			t.Error(err)
		}
	}
	if n := disk.OpenFiles(); n != 0 {
		t.Errorf("%d handles to removed objects are open", n)
	}
	put(t, f, "slabs/last", bytes.NewReader([]byte("x")))
	wantContent(t, f, "slabs/last", "x")
	f.Close()
	if n := disk.OpenFiles(); n != 0 {
		t.Errorf("%d handles are open after Close", n)
	}
}

// While a share does not answer, a method returns soon after its context ends, and once
// the share answers again what was left behind cleans up.
func TestHang(t *testing.T) {
	put := func(ctx context.Context, f *storage.Folder) error {
		return f.Put(ctx, "slabs/new", bytes.NewReader(content(3*blockSize)))
	}
	tests := []struct {
		method string
		on     storagetest.Method
		call   func(context.Context, *storage.Folder) error
	}{
		{"put", storagetest.Create, put},
		{"put", storagetest.Write, put},
		{"put", storagetest.Sync, put},
		{"put", storagetest.Close, put},
		{"put", storagetest.Rename, put},
		{"put", storagetest.SyncFolder, put},
		{"mark", storagetest.Write, func(ctx context.Context, f *storage.Folder) error { return f.Mark(ctx, "leases/new", content(10)) }},
		{"read", storagetest.Open, func(ctx context.Context, f *storage.Folder) error {
			return f.ReadAt(ctx, "slabs/ab/old", make([]byte, 3), 0)
		}},
		{"read", storagetest.ReadAt, func(ctx context.Context, f *storage.Folder) error {
			return f.ReadAt(ctx, "slabs/ab/old", make([]byte, 3), 0)
		}},
		{"stat", storagetest.Stat, func(ctx context.Context, f *storage.Folder) error { _, err := f.Stat(ctx, "slabs/ab/old"); return err }},
		{"list", storagetest.List, func(ctx context.Context, f *storage.Folder) error { _, err := f.List(ctx, "slabs"); return err }},
		{"remove", storagetest.Remove, func(ctx context.Context, f *storage.Folder) error { return f.Remove(ctx, "slabs/ab/old") }},
	}
	for _, test := range tests {
		t.Run(test.method+" "+string(test.on), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { // time is the bubble's own here
				disk := newDisk(t)
				f := openDisk(t, disk)
				disk.Reset()
				disk.Inject(storagetest.Fault{Method: test.on, Effect: storagetest.Hang})
				ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
				defer cancel()
				began := time.Now()
				if err := test.call(ctx, f); !errors.Is(err, context.DeadlineExceeded) {
					t.Errorf("got %v, want context.DeadlineExceeded", err)
				}
				if late := time.Since(began) - time.Minute; late < 0 || late > 2*time.Second {
					t.Errorf("returned %v after the end of its context", late)
				}
				disk.Reset()
				disk.Back()
				synctest.Wait()
				good := openDisk(t, disk)
				if aside, err := good.Aside(t.Context()); err != nil || len(aside) > 0 {
					t.Errorf("left aside: %v, %v", aside, err)
				}
				if got, err := readAll(t.Context(), good, "slabs/new"); err == nil && !bytes.Equal(got, content(3*blockSize)) {
					t.Error("the object is there in part")
				}
			})
		})
	}
}

// TestDiskFills bounds the space to every number of bytes that matters.
func TestDiskFills(t *testing.T) {
	const size = 2*blockSize + 100
	for _, room := range []int64{0, 1, blockSize - 1, blockSize, blockSize + 1, 2 * blockSize, size - 1} {
		disk := newDisk(t)
		f := openDisk(t, disk)
		disk.Space(room)
		wantFailure(t, f.Put(t.Context(), "slabs/ab/big", bytes.NewReader(content(size))), syscall.ENOSPC, "slabs/ab/big", f.Path())
		if _, err := f.Stat(t.Context(), "slabs/ab/big"); !errors.Is(err, storage.ErrNotFound) {
			t.Errorf("got %v, want ErrNotFound", err)
		}
		put(t, f, "slabs/ab/fits", bytes.NewReader(content(int(room)))) // what was written of it is gone
		if err := f.Mark(t.Context(), "leases/x", []byte("x")); !errors.Is(err, syscall.ENOSPC) {
			t.Errorf("mark on a full disk: %v", err)
		}
		wantContent(t, f, "slabs/ab/old", "old")
	}
}

// A client that drops what it could not send leaves a file shorter than what was
// written. Its flush failed, so that nothing may be called by the object's name.
func TestFlushDropsContent(t *testing.T) {
	disk := newDisk(t)
	f := openDisk(t, disk)
	disk.Inject(storagetest.Fault{Method: storagetest.Sync, Effect: storagetest.TearAndFail, Err: syscall.EIO})
	wantFailure(t, f.Put(t.Context(), "slabs/ab/x", bytes.NewReader(content(100))), syscall.EIO, "slabs/ab/x")
	if _, err := f.Stat(t.Context(), "slabs/ab/x"); !errors.Is(err, storage.ErrNotFound) {
		t.Errorf("got %v, want ErrNotFound", err)
	}
}

// A share goes away and comes back: calls fail, nothing is there in part, and then
// all works with the folder that was open all the time.
func TestShareComesBack(t *testing.T) {
	disk := newDisk(t)
	f := openDisk(t, disk)
	away := &afterFirst{do: func() { disk.Away(syscall.EIO) }}
	wantFailure(t, f.Put(t.Context(), "slabs/ab/cut", away), syscall.EIO, "slabs/ab/cut", f.Path())
	if _, err := f.Stat(t.Context(), "slabs/ab/cut"); !errors.Is(err, syscall.EIO) || errors.Is(err, storage.ErrNotFound) {
		t.Errorf("a share that is away says of an object: %v", err)
	}
	disk.Back()
	if _, err := f.Stat(t.Context(), "slabs/ab/cut"); !errors.Is(err, storage.ErrNotFound) {
		t.Errorf("got %v, want ErrNotFound", err)
	}
	put(t, f, "slabs/ab/new", bytes.NewReader(content(10)))
	wantContent(t, f, "slabs/ab/old", "old")
}

// afterFirst gives one byte, then does something, and goes on.
type afterFirst struct {
	do    func()
	reads int
}

func (a *afterFirst) Read(p []byte) (int, error) {
	if a.reads++; a.reads == 2 {
		a.do()
	}
	if a.reads > 3 {
		return 0, io.EOF
	}
	return copy(p, "x"), nil
}
