package store_test

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
	"pgregory.net/rapid"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// changer changes a tree in ways that a capture must notice.
type changer struct {
	*rapid.T
	dir     string
	changes int
}

// TestFolderModel changes a tree at random between captures. Each capture, which
// takes over what did not change, must be the one that reading everything gives.
// By the clock of the system what was written just before is read again.
// KIST_TEST_ROUNDS sets the number of runs.
func TestFolderModel(t *testing.T) {
	base, run, reused := t.TempDir(), 0, 0
	enough := 15 // each flushes the disk
	if testing.Short() {
		enough = 25 // of which rapid makes a fifth
	}
	checkRounds(t, rounds(t, enough), func(rt *rapid.T) {
		run++
		c := &changer{T: rt, dir: fmt.Sprintf("%s/%d", base, run)}
		c.plant()
		defer os.RemoveAll(c.dir)
		f := smallChunks(t)
		defer f.Close()
		f.captureTree(c.dir, false)
		var last *store.Capture
		for range rapid.IntRange(1, 3).Draw(rt, "captures") {
			for range rapid.IntRange(0, 5).Draw(rt, "changes") {
				c.change()
			}
			got, want := f.captureTree(c.dir, false), f.captureTree(c.dir, true)
			if got.Volumes[0].Digests() != want.Volumes[0].Digests() || got.Bytes != want.Bytes || got.Members != want.Members {
				rt.Fatalf("%d members, %d bytes, taken over %d; reading all gives %d and %d, or others",
					got.Members, got.Bytes, got.Volumes[0].Reused, want.Members, want.Bytes)
			}
			last, reused = got, reused+got.Volumes[0].Reused
		}
		f.checkFolder(last, c.dir)
		f.verify(t.Context())
	})
	if reused == 0 {
		t.Error("nothing was taken over: that tests little")
	}
}

// smallChunks makes a repository whose chunks are as small as can be.
func smallChunks(t *testing.T) *fixture {
	t.Helper()
	f := &fixture{t: t, mem: storage.NewMemory(), key: crypt.NewKeyFile()}
	var err error
	f.Repository, err = store.Create(t.Context(), f.mem, f.key, store.CreateOptions{ChunkAverage: chunk.MinAverage})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func (f *fixture) captureTree(dir string, reread bool) *store.Capture {
	f.t.Helper()
	c, err := f.Capture(f.t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{{
		Source: dir, Folder: &store.FolderInput{Path: dir, Reread: reread},
	}}})
	if err != nil {
		f.t.Fatal(err)
	}
	return c
}

// plant makes a tree whose lists have several chunks.
func (c *changer) plant() {
	long := strings.Repeat("long name ", 24)
	for i := range 200 {
		c.write(fmt.Sprintf("f/%d/%s%d", i%5, long, i), i%600)
	}
	for i, name := range []string{"a", "a!", "a/b", "a.b", "a0/b", "b", "c/c/c"} {
		c.write(name+"/x", i*700)
	}
}

func (c *changer) write(name string, size int) {
	c.changes++
	path := filepath.Join(c.dir, name)
	content := bytes.Repeat([]byte{byte(c.changes)}, size)
	// What has the name of a folder is that folder's.
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err == nil {
		os.WriteFile(path, content, 0o644)
	}
}

// some gives a path that is there.
func (c *changer) some(kind fs.FileMode) string {
	var all []string
	filepath.WalkDir(c.dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && path != c.dir && d.Type()&fs.ModeDir == kind {
			all = append(all, path)
		}
		return err
	})
	if len(all) == 0 {
		c.Skip("all is gone")
	}
	return rapid.SampledFrom(all).Draw(c.T, "path")
}

// fresh gives a path that may be there, at the border of a folder.
func (c *changer) fresh() string {
	return rapid.StringMatching(`[abcf](/[0-4ab]|[!.0])?(/[x!]|[!.0-]|/long name z)`).Draw(c.T, "new path")
}

func (c *changer) change() {
	path := c.some(0)
	var err error
	switch rapid.SampledFrom([]string{
		"write", "same length and times", "longer", "remove", "remove folder", "rename", "rename folder",
		"link", "symlink", "mode", "folder mode", "times", "attribute", "owner", "become a folder",
	}).Draw(c.T, "change") {
	case "write":
		c.write(c.fresh(), rapid.SampledFrom([]int{0, 1, 511, 512, 513, 40_000}).Draw(c.T, "size"))
	case "same length and times":
		err = c.rewrite(path)
	case "longer":
		var file *os.File
		if file, err = os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0); err == nil {
			_, err = file.Write([]byte("more"))
			err = cmp.Or(err, file.Close())
		}
	case "remove":
		err = os.Remove(path)
	case "remove folder":
		err = os.RemoveAll(c.some(fs.ModeDir))
	case "rename":
		err = os.Rename(path, filepath.Join(c.dir, c.fresh()))
	case "rename folder":
		err = os.Rename(c.some(fs.ModeDir), filepath.Join(c.dir, c.fresh()))
	case "link":
		err = os.Link(path, filepath.Join(c.dir, c.fresh()))
	case "symlink":
		err = os.Symlink(path, filepath.Join(c.dir, c.fresh()))
	case "mode":
		err = unix.Fchmodat(unix.AT_FDCWD, path, uint32(rapid.SampledFrom([]int{0o600, 0o644, 0o755}).Draw(c.T, "mode")), 0)
	case "folder mode":
		err = os.Chmod(c.some(fs.ModeDir), 0o700)
	case "times":
		err = os.Chtimes(path, time.Time{}, time.Unix(rapid.Int64Range(0, 1<<33).Draw(c.T, "time"), 1))
	case "attribute":
		err = unix.Lsetxattr(path, "user.shelf", fmt.Append(nil, c.changes), 0)
	case "owner":
		err = os.Lchown(path, 12345, 12346)
	case "become a folder":
		if err = os.Remove(path); err == nil {
			err = os.Mkdir(path, 0o755)
		}
	}
	// Whatever did not work changed nothing, or something: both are as good here.
	if err != nil && errors.Is(err, fs.ErrClosed) {
		c.Fatal(err)
	}
	c.changes++
}

// rewrite changes a file so that only its change time, or its inode, shows it.
func (c *changer) rewrite(path string) error {
	info, err := os.Stat(path)
	if err != nil || !info.Mode().IsRegular() {
		return err
	}
	content := bytes.Repeat([]byte{byte(c.changes)}, int(info.Size()))
	if rapid.Bool().Draw(c.T, "another file") {
		if err := os.Remove(path); err != nil {
			return err
		}
	}
	return cmp.Or(os.WriteFile(path, content, info.Mode()), os.Chtimes(path, time.Time{}, info.ModTime()))
}
