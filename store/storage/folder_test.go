package storage

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var kinds = []string{"captures", "leases", "slabs"}

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
