package kept

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/store/storage/cache"
	"github.com/kistarchive/kist/store/volume"
)

// Book is a file of the places that restores went to on this machine, and of what they may have set aside there. Its
// methods may be called by several processes: lines are appended at once, and what is in it twice counts once.
type Book struct {
	Folder string // that it is in; "" for none: nothing is noted
}

const (
	bookName = "set-aside"
	maxBook  = 4 << 20 // bytes that are read
)

// line is one of a book: a folder that was restored into, or the path of a single entry that was kept, and
// perhaps what was there, or was made for it.
type line struct {
	Target   string          `json:"target,omitempty"`
	Single   string          `json:"single,omitempty"`
	Identity volume.Identity `json:"identity,omitzero"`
}

// Note notes folders that will be restored into, before they are, and what they are now: that will be set aside.
func (b Book) Note(targets ...string) error {
	var lines []line
	for _, t := range targets {
		lines = append(lines, line{Target: t})
		if id, err := volume.IdentityOf(t); err == nil {
			lines = append(lines, line{Target: t, Identity: id})
		}
	}
	return b.add(lines)
}

// NoteSingle notes single entries that were kept.
func (b Book) NoteSingle(paths ...string) error {
	var lines []line
	for _, p := range paths {
		l := line{Single: p}
		l.Identity, _ = volume.IdentityOf(p) // without, only its name tells what it is
		lines = append(lines, l)
	}
	return b.add(lines)
}

func (b Book) add(lines []line) error {
	known, err := b.read()
	if err != nil || b.Folder == "" {
		return err
	}
	var out bytes.Buffer
	for _, l := range lines {
		if slices.Contains(known, l) {
			continue
		}
		if err := files.EncodeExact(&out, l); err != nil {
			return err
		}
	}
	if out.Len() == 0 {
		return nil
	}
	if err := os.MkdirAll(b.Folder, 0o700); err != nil {
		return err
	}
	if err := b.check(); err != nil {
		return err
	}
	f, err := files.OpenOwn(b.path(), os.O_WRONLY|os.O_CREATE|os.O_APPEND)
	if err != nil {
		return err
	}
	_, err = f.Write(out.Bytes())
	return errors.Join(err, f.Sync(), f.Close())
}

func (b Book) path() string { return filepath.Join(b.Folder, bookName) }

// check makes sure that nobody else writes the book: what it names may be removed.
func (b Book) check() error {
	if err := cache.Check(b.Folder); errors.Is(err, cache.ErrShared) {
		return fmt.Errorf("%s is not used: others can write there, or own it", b.Folder)
	}
	return nil
}

// read gives the lines, each once. A line that makes no sense is passed over: a kill may leave one.
func (b Book) read() (lines []line, err error) {
	if b.Folder == "" {
		return nil, nil
	}
	f, err := files.OpenOwn(b.path(), os.O_RDONLY)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if err := b.check(); err != nil {
		return nil, err
	}
	text, err := io.ReadAll(io.LimitReader(f, maxBook+1))
	if err == nil && len(text) > maxBook {
		err = fmt.Errorf("%s has more than %d bytes, and what is set aside can't be told by it: look into it, and move it away", b.path(), maxBook)
	}
	if err != nil {
		return nil, err
	}
	seen := make(map[line]bool)
	for one := range bytes.Lines(text) { // of any length
		var l line
		if files.UnmarshalExact(bytes.TrimSuffix(one, []byte("\n")), &l) != nil || seen[l] || !filepath.IsAbs(l.Target+l.Single) || l.Target != "" && l.Single != "" {
			continue
		}
		seen[l] = true
		lines = append(lines, l)
	}
	return lines, nil
}

// forget takes lines out, by a new file in the place of the old one.
func (b Book) forget(gone []line) error {
	lines, err := b.read()
	if err != nil || len(gone) == 0 {
		return err
	}
	var out bytes.Buffer
	for _, l := range lines {
		if !slices.Contains(gone, l) {
			if err := files.EncodeExact(&out, l); err != nil {
				return err
			}
		}
	}
	f, err := os.CreateTemp(b.Folder, ".new-")
	if err != nil {
		return err
	}
	_, err = f.Write(out.Bytes())
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		err = os.Rename(f.Name(), b.path())
	}
	if err != nil {
		os.Remove(f.Name())
	}
	return err
}
