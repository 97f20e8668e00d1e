package files

import (
	"bufio"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// SyncFolder flushes the entries of a folder.
func SyncFolder(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return syncAndClose(f)
}

func syncAndClose(folder *os.File) error {
	if runtime.GOOS == "windows" {
		return folder.Close() // has no such call
	}
	return errors.Join(folder.Sync(), folder.Close())
}

// Matching gives the paths of what a folder holds under names that fit a pattern of package path, sorted: none
// where no folder is. Unlike filepath.Glob it takes the name of the folder as it is, and says what it can't read.
func Matching(dir, pattern string) (found []string, err error) {
	if !IsFolder(dir) {
		return nil, nil
	}
	entries, err := os.ReadDir(dir)
	for _, e := range entries {
		if fits, bad := filepath.Match(pattern, e.Name()); bad != nil {
			return nil, bad
		} else if fits {
			found = append(found, filepath.Join(dir, e.Name()))
		}
	}
	return found, err
}

// PartName gives a name beside path that nothing has.
func PartName(path string) string {
	return path + ".part-" + strings.ToLower(rand.Text()[:6])
}

// RemoveTree removes a folder and all in it, even where modes forbid it.
func RemoveTree(path string) error {
	if os.RemoveAll(path) == nil {
		return nil
	}
	filepath.WalkDir(path, func(p string, d fs.DirEntry, err error) error {
		if err == nil && d.IsDir() {
			os.Chmod(p, 0o700)
		}
		return nil // RemoveAll says what could not be removed
	})
	return os.RemoveAll(path)
}

// Place moves a finished file into place, and not over another.
func Place(from, to string, overwrite bool) error {
	if overwrite {
		return errors.Join(os.Rename(from, to), SyncFolder(filepath.Dir(to)))
	}
	// A link fails where there is something; not every file system has it.
	if err := os.Link(from, to); err == nil {
		return errors.Join(os.Remove(from), SyncFolder(filepath.Dir(to)))
	}
	if err := MustBeFree(to); err != nil {
		return err
	}
	return errors.Join(os.Rename(from, to), SyncFolder(filepath.Dir(to)))
}

// IsFolder tells whether there is a folder, or a link to one.
func IsFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

// MustBeFree fails where there is something.
func MustBeFree(path string) error {
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("%s is there already; --overwrite replaces a file", screen.Line(path))
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// Write writes a file for people: aside, flushed, and then moved into place. Another one is
// replaced only if overwrite says so, and then its mode is kept; else, and in the place of a link, only its owner can read it.
// Another user's is not replaced if its mode lets anybody but its owner in: who chose that chose it for what was theirs.
func Write(path string, overwrite bool, write func(io.Writer) error) error {
	mode := fs.FileMode(0o600)
	if old, err := os.Lstat(path); err == nil && overwrite {
		switch {
		case old.Mode().IsRegular():
			if mode = old.Mode().Perm(); mode&0o077 != 0 && isOthers(old) {
				return fmt.Errorf("%s is another user's: remove it first, or name another file", screen.Line(path))
			}
		case old.Mode().Type() != fs.ModeSymlink: // a link goes, and what it leads to says nothing of who may read this
			return fmt.Errorf("%s is no file that can be replaced", screen.Line(path))
		}
	}
	part, err := os.OpenFile(PartName(path), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	b := bufio.NewWriter(part)
	if err = write(b); err == nil {
		err = b.Flush()
	}
	if err == nil {
		err = part.Sync()
	}
	if err == nil && mode != 0o600 {
		err = part.Chmod(mode)
	}
	if err = errors.Join(err, part.Close()); err == nil {
		err = Place(part.Name(), path, overwrite)
	}
	if err != nil {
		os.Remove(part.Name())
	}
	return err
}
