package trees

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// Compare walks two folders, and gives the number of entries or an error
// that names the first difference: of name, kind, mode, size, time, link target or content.
func Compare(a, b string) (entries int, err error) {
	err = filepath.WalkDir(a, func(path string, _ fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(a, path)
		if err != nil {
			return err
		}
		entries++
		return compareEntries(path, filepath.Join(b, rel))
	})
	if err != nil {
		return entries, err
	}
	others := 0
	err = filepath.WalkDir(b, func(_ string, _ fs.DirEntry, err error) error {
		others++
		return err
	})
	if err == nil && others != entries {
		err = fmt.Errorf("%s has %d entries and %s has %d", a, entries, b, others)
	}
	return entries, err
}

func compareEntries(a, b string) error {
	x, err := os.Lstat(a)
	if err != nil {
		return err
	}
	y, err := os.Lstat(b)
	if err != nil {
		return err
	}
	if x.Mode() != y.Mode() || !x.ModTime().Equal(y.ModTime()) || !x.IsDir() && x.Size() != y.Size() {
		return fmt.Errorf("%s: mode, time or size: %v %v %d, and %v %v %d",
			b, x.Mode(), x.ModTime(), x.Size(), y.Mode(), y.ModTime(), y.Size())
	}
	switch x.Mode().Type() {
	case 0:
		return compareContents(a, b)
	case fs.ModeSymlink:
		return compareLinks(a, b)
	}
	return nil
}

func compareLinks(a, b string) error {
	x, err := os.Readlink(a)
	if err != nil {
		return err
	}
	y, err := os.Readlink(b)
	if err == nil && x != y {
		err = fmt.Errorf("%s: it links to %q, not to %q", b, y, x)
	}
	return err
}

func compareContents(a, b string) error {
	x, err := os.Open(a)
	if err != nil {
		return err
	}
	defer x.Close()
	y, err := os.Open(b)
	if err != nil {
		return err
	}
	defer y.Close()
	left, right := bufio.NewReader(x), bufio.NewReader(y)
	var p, q [32 << 10]byte
	for {
		n, errX := io.ReadFull(left, p[:])
		m, errY := io.ReadFull(right, q[:])
		if !bytes.Equal(p[:n], q[:m]) || (errX == nil) != (errY == nil) {
			return fmt.Errorf("%s: its content differs", b)
		}
		if errX == io.EOF || errX == io.ErrUnexpectedEOF {
			return nil
		}
		if err := errors.Join(errX, errY); err != nil {
			return err
		}
	}
}

// Size adds up the lengths of all files.
func Size(dir string) (n int64, err error) {
	err = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err == nil {
			n += info.Size()
		}
		return err
	})
	return n, err
}
