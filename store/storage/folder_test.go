package storage

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

func createFolder(t *testing.T) (f *Folder, dir string) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "repository")
	f, err := CreateFolder(dir, kinds...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f, dir
}

func TestCreateFolder(t *testing.T) {
	tests := []struct {
		name string
		has  []string // a folder if it ends in a slash
		err  error
	}{
		{"empty", nil, nil},
		{"interrupted before", []string{"slabs/", "captures/"}, nil},
		{"new file system", []string{"lost+found/"}, nil},
		{"a file", []string{"letter.txt"}, ErrNotEmpty},
		{"a hidden file", []string{".letter"}, ErrNotEmpty},
		{"a file in a folder of ours", []string{"slabs/", "slabs/x"}, ErrNotEmpty},
		{"another folder", []string{"letters/"}, ErrNotEmpty},
		{"a file named as a folder of ours", []string{"slabs"}, ErrNotEmpty},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			dir := t.TempDir()
			for _, name := range test.has {
				var err error
				if at := filepath.Join(dir, name); strings.HasSuffix(name, "/") {
					err = os.Mkdir(at, 0o700)
				} else {
					err = os.WriteFile(at, nil, 0o600)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			f, err := CreateFolder(dir, kinds...)
			if !errors.Is(err, test.err) {
				t.Fatalf("got %v, want %v", err, test.err)
			}
			if err == nil {
				defer f.Close()
				if err := f.Put(t.Context(), "slabs/x", strings.NewReader("x")); err != nil {
					t.Error(err)
				}
			}
		})
	}
	if _, err := CreateFolder(filepath.Join(t.TempDir(), "missing", "repository")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("without a parent: got %v", err)
	}
	if _, err := CreateFolder(t.TempDir(), "slabs/ab"); !errors.Is(err, ErrBadName) {
		t.Errorf("with a folder in a folder: got %v", err)
	}
	if _, err := OpenFolder(filepath.Join(t.TempDir(), "missing")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("open what is not there: got %v", err)
	}
}

// When the top folder of an object is missing, that is no news about the object.
func TestGone(t *testing.T) {
	f, dir := createFolder(t)
	ctx := t.Context()
	if err := f.Put(ctx, "slabs/ab/before", strings.NewReader("x")); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(dir, "slabs"), filepath.Join(dir, "away")); err != nil {
		t.Fatal(err)
	}
	calls := map[string]error{
		"put":             f.Put(ctx, "slabs/ab/x", strings.NewReader("x")),
		"put, new folder": f.Put(ctx, "slabs/cd/x", strings.NewReader("x")),
		"put, kind":       f.Put(ctx, "letters/x", strings.NewReader("x")),
		"mark":            f.Mark(ctx, "slabs/x", nil),
		"read":            f.ReadAt(ctx, "slabs/ab/x", nil, 0),
		"remove":          f.Remove(ctx, "slabs/ab/x"),
	}
	_, calls["stat"] = f.Stat(ctx, "slabs/ab/x")
	_, calls["list"] = f.List(ctx, "slabs")
	_, calls["list below"] = f.List(ctx, "slabs/ab")
	for call, err := range calls {
		if !errors.Is(err, ErrGone) || !strings.Contains(err.Error(), dir) {
			t.Errorf("%s: got %v, want ErrGone and the folder's path", call, err)
		}
	}
	if entries, _ := os.ReadDir(dir); len(entries) != len(kinds) {
		t.Errorf("something was made: %v", entries)
	}
}

func TestAnchor(t *testing.T) {
	f, dir := createFolder(t)
	ctx := t.Context()
	if err := f.SetAnchor("../x"); !errors.Is(err, ErrBadName) {
		t.Errorf("bad anchor: %v", err)
	}
	if err := f.CheckAnchor(ctx); err != nil {
		t.Errorf("no anchor set: %v", err)
	}
	if err := f.SetAnchor("kist.json"); err != nil {
		t.Fatal(err)
	}
	if err := f.CheckAnchor(ctx); !errors.Is(err, ErrGone) {
		t.Errorf("anchor missing: got %v, want ErrGone", err)
	}
	if err := f.Put(ctx, "kist.json", strings.NewReader("{}")); err != nil {
		t.Fatal(err)
	}
	if err := f.CheckAnchor(ctx); err != nil {
		t.Error(err)
	}
	// it vanishes while content is being written
	err := f.Put(ctx, "captures/x", &afterwards{do: func() { os.Remove(filepath.Join(dir, "kist.json")) }})
	if !errors.Is(err, ErrGone) {
		t.Errorf("put without the anchor: got %v, want ErrGone", err)
	}
	if _, err := f.Stat(ctx, "captures/x"); !errors.Is(err, ErrNotFound) {
		t.Errorf("stored without the anchor: %v", err)
	}
}

// afterwards gives one byte, and then does something before it ends.
type afterwards struct {
	do  func()
	ran bool
}

func (a *afterwards) Read(p []byte) (int, error) {
	if a.ran {
		a.do()
		return 0, io.EOF
	}
	a.ran = true
	return copy(p, "x"), nil
}

// What is in the folder but is no object's file is not shown, read or removed.
func TestForeignFiles(t *testing.T) {
	f, dir := createFolder(t)
	ctx := t.Context()
	for _, name := range []string{"slabs/.hidden", "slabs/Upper", "slabs/x~", "captures/_x.part"} {
		if err := os.WriteFile(filepath.Join(dir, name), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "@files"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "@files", "x"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join("..", "slabs", "x~"), filepath.Join(dir, "captures", "link")); err != nil {
		t.Skip(err)
	}
	if infos, err := f.List(ctx, ""); err != nil || len(infos) > 0 {
		t.Errorf("listed %v, %v", infos, err)
	}
	for _, name := range []string{"captures/link", "slabs"} {
		_, err := f.Stat(ctx, name)
		for _, err := range []error{err, f.ReadAt(ctx, name, nil, 0), f.Remove(ctx, name)} {
			if !errors.Is(err, ErrNotFound) {
				t.Errorf("%s: got %v, want ErrNotFound", name, err)
			}
		}
	}
}

func TestAside(t *testing.T) {
	f, dir := createFolder(t)
	ctx := t.Context()
	now, err := f.Now(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for name, age := range map[string]time.Duration{
		"slabs/ab/" + asideName(): 25 * time.Hour,
		asideName():               25 * time.Hour,
		"captures/" + asideName(): 24*time.Hour + time.Second, // within the slack
		"slabs/ab/object":         25 * time.Hour,
	} {
		at := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(at), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(at, []byte("part"), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(at, time.Time{}, now.Add(-age)); err != nil {
			t.Fatal(err)
		}
	}
	if aside, err := f.Aside(ctx); err != nil || len(aside) != 3 {
		t.Errorf("aside: %v, %v", aside, err)
	}
	if removed, err := f.RemoveAside(ctx, 24*time.Hour); err != nil || len(removed) != 2 {
		t.Errorf("removed: %v, %v", removed, err)
	}
	if aside, err := f.Aside(ctx); err != nil || len(aside) != 1 || !strings.HasPrefix(aside[0].Name, "captures/") {
		t.Errorf("remaining: %v, %v", aside, err)
	}
	if infos, err := f.List(ctx, ""); err != nil || len(infos) != 1 || infos[0].Name != "slabs/ab/object" {
		t.Errorf("objects: %v, %v", infos, err)
	}
	if _, err := f.RemoveAside(ctx, -time.Hour); err == nil {
		t.Error("a negative age is accepted")
	}
}

// Read handles are bounded, shared, and closed in the end.
func TestHandles(t *testing.T) {
	disk := newDisk(kinds...)
	f := newFolder("disk", disk)
	const objects = 3 * maxHandles
	for i := range objects {
		if err := f.Put(t.Context(), fmt.Sprintf("slabs/%d", i), bytes.NewReader(content(100+i))); err != nil {
			t.Fatal(err)
		}
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
	if disk.openings != maxHandles {
		t.Errorf("%d handles are open, want %d", disk.openings, maxHandles)
	}
	for i := range objects {
		if err := f.Remove(t.Context(), fmt.Sprintf("slabs/%d", i)); err != nil {
			t.Error(err)
		}
	}
	if disk.openings != 0 {
		t.Errorf("%d handles to removed objects are open", disk.openings)
	}
	if err := f.Put(t.Context(), "slabs/last", strings.NewReader("x")); err != nil {
		t.Fatal(err)
	}
	if err := f.ReadAt(t.Context(), "slabs/last", make([]byte, 1), 0); err != nil {
		t.Fatal(err)
	}
	f.Close()
	if disk.openings != 0 {
		t.Errorf("%d handles are open after Close", disk.openings)
	}
}

// hanging is files whose calls do not return until released.
type hanging struct {
	files
	on       string
	released chan struct{}
}

func (h hanging) create(name string) (writeFile, error) {
	file, err := h.files.create(name)
	h.hang("create")
	return hangingFile{file, h}, err
}

func (h hanging) lstat(name string) (os.FileInfo, error) { h.hang("lstat"); return h.files.lstat(name) }
func (h hanging) rename(from, to string) error           { h.hang("rename"); return h.files.rename(from, to) }
func (h hanging) remove(name string) error               { h.hang("remove"); return h.files.remove(name) }
func (h hanging) open(name string) (readFile, error)     { h.hang("open"); return h.files.open(name) }
func (h hanging) syncFolder(name string) error {
	h.hang("sync folder")
	return h.files.syncFolder(name)
}
func (h hanging) list(name string) ([]os.FileInfo, error) { h.hang("list"); return h.files.list(name) }

func (h hanging) hang(call string) {
	if call == h.on {
		<-h.released
	}
}

type hangingFile struct {
	writeFile
	hanging
}

func (f hangingFile) Write(p []byte) (int, error) { f.hang("write"); return f.writeFile.Write(p) }
func (f hangingFile) Sync() error                 { f.hang("sync"); return f.writeFile.Sync() }

// While a share does not answer, a method returns soon after its context ends, and once
// the share answers again what was left behind cleans up.
func TestHang(t *testing.T) {
	put := func(ctx context.Context, f *Folder) error {
		return f.Put(ctx, "slabs/new", bytes.NewReader(content(3*blockSize)))
	}
	tests := []struct {
		method, on string
		call       func(context.Context, *Folder) error
	}{
		{"put", "create", put}, {"put", "write", put}, {"put", "sync", put}, {"put", "rename", put}, {"put", "sync folder", put},
		{"mark", "write", func(ctx context.Context, f *Folder) error { return f.Mark(ctx, "leases/new", content(10)) }},
		{"read", "open", func(ctx context.Context, f *Folder) error { return f.ReadAt(ctx, "slabs/old", make([]byte, 3), 0) }},
		{"stat", "lstat", func(ctx context.Context, f *Folder) error { _, err := f.Stat(ctx, "slabs/old"); return err }},
		{"list", "list", func(ctx context.Context, f *Folder) error { _, err := f.List(ctx, "slabs"); return err }},
		{"remove", "remove", func(ctx context.Context, f *Folder) error { return f.Remove(ctx, "slabs/old") }},
	}
	for _, test := range tests {
		t.Run(test.method+" "+test.on, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { // time is the bubble's own here
				disk := newDisk(kinds...)
				good := newFolder("disk", disk)
				if err := good.Put(t.Context(), "slabs/old", strings.NewReader("old")); err != nil {
					t.Fatal(err)
				}
				h := hanging{disk, test.on, make(chan struct{})}
				ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
				defer cancel()
				began := time.Now()
				if err := test.call(ctx, newFolder("disk", h)); !errors.Is(err, context.DeadlineExceeded) {
					t.Errorf("got %v, want context.DeadlineExceeded", err)
				}
				if late := time.Since(began) - time.Minute; late < 0 || late > 2*time.Second {
					t.Errorf("returned %v after the end of its context", late)
				}
				close(h.released)
				synctest.Wait()
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

// A content that panics must not pass for one that ended.
func TestPanickingContent(t *testing.T) {
	f, _ := createFolder(t)
	func() {
		defer func() {
			if recover() == nil {
				t.Error("the panic is gone")
			}
		}()
		f.Put(t.Context(), "slabs/x", &afterwards{do: func() { panic("content") }})
	}()
	for {
		aside, err := f.Aside(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if len(aside) == 0 {
			break
		}
	}
	if _, err := f.Stat(t.Context(), "slabs/x"); !errors.Is(err, ErrNotFound) {
		t.Errorf("got %v, want ErrNotFound", err)
	}
}
