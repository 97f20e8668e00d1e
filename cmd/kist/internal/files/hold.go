package files

import (
	"errors"
	"fmt"
	"os"
)

// Held is a file that shows, by a lock on it, that this process is at work on something.
type Held struct{ f *os.File }

// Hold makes a file and locks it until Drop, or until the process ends. It gives nil where another process has it.
func Hold(path string) (*Held, error) {
	for range 10 { // whoever drops it may remove the file in between
		f, err := OpenOwn(path, os.O_RDWR|os.O_CREATE)
		if err != nil {
			return nil, err
		}
		ours, err := TryLock(f)
		if err == nil && ours && hasName(f, path) {
			return &Held{f}, nil
		}
		f.Close()
		if err != nil || !ours {
			return nil, err
		}
	}
	return nil, nil // others come and go
}

// Drop removes the file and lets go of it.
func (h *Held) Drop() error {
	if h == nil {
		return nil
	}
	return errors.Join(os.Remove(h.f.Name()), h.f.Close())
}

// OpenOwn opens a file of this program, with flags as of os.OpenFile: one that it makes is its owner's alone. What is no
// regular file, as a pipe that would be waited for or a link that may lead anywhere, and what others own or may write
// is refused.
func OpenOwn(path string, flag int) (*os.File, error) {
	if info, err := os.Lstat(path); err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no regular file: kist makes none of that kind; remove it", path)
	}
	f, err := os.OpenFile(path, flag, 0o600)
	if err != nil {
		return nil, err
	}
	if err := checkOwn(f); err != nil {
		f.Close()
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return f, nil
}
