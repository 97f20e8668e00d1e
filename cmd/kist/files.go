package main

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// syncFolder flushes the entries of a folder.
func syncFolder(path string) error {
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

// partName gives a name beside path that nothing has.
func partName(path string) string {
	return path + ".part-" + strings.ToLower(rand.Text()[:6])
}

// removeTree removes a folder and all in it, even where modes forbid it.
func removeTree(path string) error {
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

// placeFile moves a finished file into place, and not over another.
func placeFile(from, to string, overwrite bool) error {
	if overwrite {
		return errors.Join(os.Rename(from, to), syncFolder(filepath.Dir(to)))
	}
	// A link fails where there is something; not every file system has it.
	if err := os.Link(from, to); err == nil {
		return errors.Join(os.Remove(from), syncFolder(filepath.Dir(to)))
	}
	if err := mustBeFree(to); err != nil {
		return err
	}
	return errors.Join(os.Rename(from, to), syncFolder(filepath.Dir(to)))
}

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

func mustBeFree(path string) error {
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("%s is there already; --overwrite replaces a file", screen.Line(path))
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}
