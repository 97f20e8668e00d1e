package storage_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/iotest"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// hostDownAfter takes the share away, as a CIFS client says it, at the k-th call, and brings it back after a while.
func hostDownAfter(disk *storagetest.Disk, k int, span time.Duration) (reached *atomic.Bool) {
	var calls atomic.Int64
	reached = new(atomic.Bool)
	disk.Before(func(storagetest.Method, string) {
		if calls.Add(1) == int64(k+1) {
			reached.Store(true)
			disk.Away(syscall.EHOSTDOWN)
			time.AfterFunc(span, disk.Back)
		}
	})
	return reached
}

// TestHostDown takes the share away for a minute at every call of each method: all of them do their work, and are done late.
func TestHostDown(t *testing.T) {
	whole := content(2*blockSize + 100)
	methods := map[string]func(context.Context, *storage.Folder) error{
		"put": func(ctx context.Context, f *storage.Folder) error {
			if err := f.Put(ctx, "slabs/cd/new", bytes.NewReader(whole)); err != nil {
				return err
			}
			if got, err := readAll(ctx, f, "slabs/cd/new"); err != nil || !bytes.Equal(got, whole) {
				return fmt.Errorf("it is not what was put: %d bytes, %v", len(got), err)
			}
			return nil
		},
		"read": func(ctx context.Context, f *storage.Folder) error {
			return f.ReadAt(ctx, "slabs/ab/old", make([]byte, 3), 0)
		},
		"stat": func(ctx context.Context, f *storage.Folder) error { _, err := f.Stat(ctx, "slabs/ab/old"); return err },
		"now":  func(ctx context.Context, f *storage.Folder) error { _, err := f.Now(ctx); return err },
		"list": func(ctx context.Context, f *storage.Folder) error {
			infos, err := f.List(ctx, "slabs")
			if err == nil && len(infos) != 1 {
				err = fmt.Errorf("%v", infos)
			}
			return err
		},
		"names":  func(ctx context.Context, f *storage.Folder) error { _, err := f.Names(ctx, "slabs"); return err },
		"remove": func(ctx context.Context, f *storage.Folder) error { return f.Remove(ctx, "slabs/ab/old") },
		"anchor": func(ctx context.Context, f *storage.Folder) error { return f.CheckAnchor(ctx) },
	}
	for name, method := range methods {
		t.Run(name, func(t *testing.T) {
			for k, reached := 0, true; reached && !t.Failed(); k++ {
				synctest.Test(t, func(t *testing.T) {
					disk := newDisk(t)
					disk.Forsake()
					f := openDisk(t, disk)
					gone := hostDownAfter(disk, k, time.Minute)
					began := time.Now()
					if err := method(t.Context(), f); err != nil {
						t.Errorf("away from call %d on: %v", k, err)
					}
					disk.Before(nil)
					if reached = gone.Load(); reached && time.Since(began) > 2*time.Minute {
						t.Errorf("it took %v", time.Since(began))
					}
					disk.Back()
				})
			}
		})
	}
}

// TestHostDownForGood: it is told in time, and so is the end of a context.
func TestHostDownForGood(t *testing.T) {
	for _, test := range []struct {
		name  string
		after time.Duration // the context ends; 0: never
		want  error
		least time.Duration
	}{
		{"patience", 0, syscall.EHOSTDOWN, 2 * time.Minute},
		{"interrupt", 10 * time.Second, context.DeadlineExceeded, 10 * time.Second},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				disk := newDisk(t)
				disk.Forsake()
				f := openDisk(t, disk)
				disk.Away(syscall.EHOSTDOWN)
				ctx := t.Context()
				if test.after > 0 {
					var cancel context.CancelFunc
					ctx, cancel = context.WithTimeout(ctx, test.after)
					defer cancel()
				}
				began := time.Now()
				err := f.Put(ctx, "slabs/cd/new", bytes.NewReader(content(100)))
				if took := time.Since(began); took < test.least || took > test.least+5*time.Second {
					t.Errorf("told after %v", took)
				}
				if !errors.Is(err, test.want) && !errors.Is(err, syscall.EHOSTDOWN) {
					t.Errorf("got %v", err)
				}
				var of *storage.Error
				if !errors.As(err, &of) || of.Name != "slabs/cd/new" {
					t.Errorf("%v does not name the object", err)
				}
				disk.Back()
			})
		})
	}
}

// TestHostDownTooLong: a content that is too long to be kept, and one that fails, are not written again, and the error says what
// failed first.
func TestHostDownTooLong(t *testing.T) {
	for _, test := range []struct {
		name    string
		content io.Reader
		fails   storagetest.Method
	}{
		{"long", io.LimitReader(neverending{}, 49<<20), storagetest.Write},
		{"long, and read to its end", io.LimitReader(neverending{}, 49<<20), storagetest.Sync},
		{"failing", io.MultiReader(bytes.NewReader(content(2*blockSize)), iotest.ErrReader(io.ErrNoProgress)), storagetest.Write},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				disk := newDisk(t)
				disk.Forsake()
				f := openDisk(t, disk)
				disk.Reset()
				disk.Inject(storagetest.Fault{Method: test.fails, Effect: storagetest.Fail, Err: syscall.EHOSTDOWN, Once: test.fails == storagetest.Sync})
				began := time.Now()
				wantFailure(t, f.Put(t.Context(), "slabs/ab/new", test.content), syscall.EHOSTDOWN, "slabs/ab/new", f.Path())
				if time.Since(began) > 0 {
					t.Errorf("tried again for %v", time.Since(began))
				}
				if _, err := f.Stat(t.Context(), "slabs/ab/new"); !errors.Is(err, storage.ErrNotFound) {
					t.Errorf("got %v, want ErrNotFound", err)
				}
			})
		})
	}
}

// TestHostDownAnswers: what was done and told to have failed is not done twice.
func TestHostDownAnswers(t *testing.T) {
	for _, method := range []storagetest.Method{storagetest.Rename, storagetest.Remove, storagetest.SyncFolder, storagetest.Sync, storagetest.Create} {
		t.Run(string(method), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				disk := newDisk(t)
				disk.Forsake()
				f := openDisk(t, disk)
				for _, call := range []func() error{
					func() error { return f.Put(t.Context(), "slabs/ab/new", bytes.NewReader(content(100))) },
					func() error { return f.Remove(t.Context(), "slabs/ab/new") },
				} {
					disk.Reset()
					disk.Inject(storagetest.Fault{Method: method, Effect: storagetest.FailAfter, Err: syscall.EHOSTDOWN, Once: true})
					if err := call(); err != nil {
						t.Error(err)
					}
				}
			})
		})
	}
}

// TestHostDownRename: a rename was done, was told to have failed, and whether it was done can't be asked at first.
func TestHostDownRename(t *testing.T) {
	for asked := range 8 {
		synctest.Test(t, func(t *testing.T) {
			disk := newDisk(t)
			f := openDisk(t, disk)
			disk.Reset()
			disk.Inject(
				storagetest.Fault{Method: storagetest.Rename, Effect: storagetest.FailAfter, Err: syscall.EHOSTDOWN, Once: true},
				storagetest.Fault{Method: storagetest.Stat, From: asked, Once: true, Effect: storagetest.Fail, Err: syscall.EHOSTDOWN},
			)
			if err := f.Put(t.Context(), "slabs/ab/new", bytes.NewReader(content(100))); err != nil {
				t.Errorf("asked for the time %d: %v", asked, err)
			}
		})
	}
}

type neverending struct{}

func (neverending) Read(p []byte) (int, error) { clear(p); return len(p), nil }

// TestHostDownInterrupted: nothing is done again once its context has ended, not even by what was left behind.
func TestHostDownInterrupted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disk := newDisk(t)
		disk.Forsake()
		f := openDisk(t, disk)
		var calls atomic.Int64
		disk.Before(func(storagetest.Method, string) { calls.Add(1) })
		disk.Away(syscall.EHOSTDOWN)
		ctx, cancel := context.WithTimeout(t.Context(), 2500*time.Millisecond)
		defer cancel()
		if _, err := f.Stat(ctx, "slabs/ab/old"); !errors.Is(err, context.DeadlineExceeded) && !errors.Is(err, syscall.EHOSTDOWN) {
			t.Error(err)
		}
		synctest.Wait()
		before := calls.Load()
		time.Sleep(time.Minute)
		if after := calls.Load(); before < 2 || after != before {
			t.Errorf("%d calls, and %d later", before, after)
		}
	})
}

// TestListStale: a list that meets what another process has just removed is begun anew; what stays stale is told at once.
func TestListStale(t *testing.T) {
	for _, test := range []struct {
		name   string
		faults []storagetest.Fault
		want   error
	}{
		{"once", []storagetest.Fault{{Method: storagetest.List, Err: syscall.ESTALE, Once: true}}, nil},
		{"below, twice", []storagetest.Fault{{Method: storagetest.List, From: 1, Err: syscall.ESTALE, Once: true}, {Method: storagetest.List, From: 3, Err: syscall.ESTALE, Once: true}}, nil},
		{"for good", []storagetest.Fault{{Method: storagetest.List, Err: syscall.ESTALE}}, syscall.ESTALE},
		{"another failure", []storagetest.Fault{{Method: storagetest.List, Err: syscall.EIO, Once: true}}, syscall.EIO},
	} {
		t.Run(test.name, func(t *testing.T) {
			disk := newDisk(t)
			f := openDisk(t, disk)
			if err := f.Put(t.Context(), "slabs/ab/there", bytes.NewReader(content(100))); err != nil {
				t.Fatal(err)
			}
			disk.Reset()
			for i := range test.faults {
				test.faults[i].Effect = storagetest.Fail
			}
			disk.Inject(test.faults...)
			infos, err := f.List(t.Context(), "slabs")
			if !errors.Is(err, test.want) || err == nil && len(infos) != 2 {
				t.Errorf("got %v, %v", infos, err)
			}
		})
	}
}
