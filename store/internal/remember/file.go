package remember

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// checkFolder makes the folder, and makes sure that nobody else can write there: whoever
// can might have this machine believe anything.
func checkFolder(path string) error {
	if err := os.MkdirAll(path, 0o700); err != nil {
		return err
	}
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if !info.IsDir() {
		return &fs.PathError{Op: "open", Path: path, Err: errors.New("it is no folder")}
	}
	return checkOwner(path, info)
}

// refresh reads the file again if it changed.
func (m *Memory) refresh() error {
	if m.path == "" {
		return nil
	}
	info, err := os.Lstat(m.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil && m.isRead(info) {
		return nil
	}
	var f *os.File
	if err == nil && !info.Mode().IsRegular() {
		err = errors.New("it is no regular file")
	}
	if err == nil {
		f, err = os.Open(m.path)
	}
	if err != nil {
		return fmt.Errorf("what this machine knows of the repository can't be read from %s: %w", m.path, err)
	}
	defer f.Close()
	if err := m.load(f); err != nil {
		return fmt.Errorf("what this machine knows of the repository can't be read from %s: %w", m.path, err)
	}
	return nil
}

// isRead tells whether a file is as it was when it was read last.
func (m *Memory) isRead(info os.FileInfo) bool {
	return m.read != nil && os.SameFile(info, m.read) && info.Size() == m.read.Size() && info.ModTime().Equal(m.read.ModTime())
}

// load takes in what the file says. What this process knows and could not keep stays.
func (m *Memory) load(f *os.File) error {
	info, err := f.Stat()
	if err == nil && info.Size() > maxFile {
		err = fmt.Errorf("%d bytes are more than %d: remove it", info.Size(), maxFile)
	}
	if err == nil {
		err = checkOwner(f.Name(), info)
	}
	if err != nil {
		return err
	}
	b, err := io.ReadAll(io.LimitReader(f, maxFile))
	if err != nil {
		return err
	}
	c, err := parse(m.key, b)
	if err != nil {
		return err
	}
	if !c.rooted || !m.known.rooted || c.root == m.known.root {
		c.join(&m.known)
	}
	m.known, m.read = c, info
	return nil
}

// compactFrom is how many lines too many a file may have.
const compactFrom = 256

// append appends lines to the file.
func (m *Memory) append(lines []string) error {
	f, err := m.openLocked()
	if err != nil {
		return err
	}
	defer f.Close() // and with it the lock
	info, err := f.Stat()
	if err != nil {
		return err
	}
	b, err := separator(f, info.Size())
	if err != nil {
		return err
	}
	same := m.isRead(info) || info.Size() == 0
	for _, line := range lines {
		b = append(b, sealLine(m.key, line)...)
	}
	if _, err := f.Write(b); err != nil { // at once: so lines of others stand before or behind
		return err
	}
	if m.known.lines > len(m.known.captures)+len(m.known.other)+compactFrom {
		return m.compact(f)
	}
	if m.read = nil; same {
		m.read, err = f.Stat() // what is new there is known
	}
	return err
}

// separator gives the line feed that a line lacks which was written in part.
func separator(f *os.File, size int64) ([]byte, error) {
	if size == 0 {
		return nil, nil
	}
	var last [1]byte
	if _, err := f.ReadAt(last[:], size-1); err != nil {
		return nil, err
	}
	if last[0] == '\n' {
		return nil, nil
	}
	return []byte{'\n'}, nil
}

// lockTries times lockPause is how long the lock is waited for: others have it for some
// milliseconds.
const (
	lockTries = 200
	lockPause = 5 * time.Millisecond
)

var errLocked = errors.New("another process keeps it locked")

// openLocked opens the file for appending, and locks it until it is closed.
func (m *Memory) openLocked() (*os.File, error) {
	for range lockTries {
		f, err := os.OpenFile(m.path, os.O_RDWR|os.O_APPEND|os.O_CREATE, 0o600)
		if err != nil {
			return nil, err
		}
		locked, err := tryLock(f)
		if err == nil && locked && isNamed(f, m.path) {
			return f, nil
		}
		f.Close()
		if err != nil {
			return nil, err
		}
		if !locked {
			time.Sleep(lockPause)
		}
	}
	return nil, errLocked
}

// isNamed tells whether a file still has its name: compacting puts another one there.
func isNamed(f *os.File, path string) bool {
	is, err := f.Stat()
	named, err2 := os.Lstat(path)
	return err == nil && err2 == nil && os.SameFile(is, named)
}

// compact puts a shorter file in the place of the locked one.
func (m *Memory) compact(f *os.File) error {
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return err
	}
	if err := m.load(f); err != nil {
		return err
	}
	short, err := os.CreateTemp(filepath.Dir(m.path), ".new-") // for its owner alone
	if err != nil {
		return err
	}
	_, err = short.Write(m.known.text(m.key))
	if err == nil {
		err = short.Sync()
	}
	err = errors.Join(err, short.Close())
	if err == nil {
		err = os.Rename(short.Name(), m.path)
	}
	if err != nil {
		os.Remove(short.Name())
		return err
	}
	m.read = nil
	return m.refresh()
}
