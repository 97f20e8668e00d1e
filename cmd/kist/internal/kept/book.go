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
// methods may be called by several processes and goroutines: whoever changes it has a lock, for which others wait.
type Book struct {
	Folder string // that it is in; "" for none: nothing is noted
	// Odd, if set, is told by what looks into the book which lines of it make no sense, counted from 1, and are passed over.
	Odd func(file string, lines []int)
	// Linked, if set, is told of a place in the book that is not looked at, since somebody else may have put a link there: that
	// is no failure of what looks for all that is set aside.
	Linked func(place string, err error)
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
	if b.Folder == "" {
		return nil
	}
	if known, _, err := b.read(); err != nil || len(without(lines, known)) == 0 { // nobody is waited for where nothing is new
		return err
	}
	if err := os.MkdirAll(b.Folder, 0o700); err != nil {
		return err
	}
	if err := b.check(); err != nil {
		return err
	}
	unlock, err := b.lock()
	if errors.Is(err, errNoLocks) { // then nobody writes it anew either
		return b.append(lines)
	}
	if err != nil {
		return err
	}
	return errors.Join(b.append(lines), unlock())
}

// append adds lines that the book does not have.
func (b Book) append(lines []line) error {
	f, err := files.OpenOwn(b.path(), os.O_RDWR|os.O_CREATE|os.O_APPEND)
	if err != nil {
		return err
	}
	defer f.Close()
	text, err := b.text(f)
	if err != nil {
		return err
	}
	known, _ := parse(text)
	var out bytes.Buffer
	if len(text) > 0 && !bytes.HasSuffix(text, []byte("\n")) { // what a kill left of a line: no other goes on in it
		out.WriteByte('\n')
	}
	for _, l := range without(lines, known) {
		if err := files.EncodeExact(&out, l); err != nil {
			return err
		}
	}
	_, err = f.Write(out.Bytes())
	return errors.Join(err, f.Sync())
}

// without gives lines but for those that are known.
func without(lines, known []line) []line {
	return slices.DeleteFunc(slices.Clone(lines), func(l line) bool { return slices.Contains(known, l) })
}

func (b Book) path() string { return filepath.Join(b.Folder, bookName) }

// check makes sure that nobody else writes the book: what it names may be removed.
func (b Book) check() error {
	if err := cache.Check(b.Folder); errors.Is(err, cache.ErrShared) {
		return fmt.Errorf("%s is not used: others can write there, or own it", b.Folder)
	}
	return nil
}

// known gives the lines, and tells of odd ones.
func (b Book) known() ([]line, error) {
	lines, odd, err := b.read()
	if len(odd) > 0 && b.Odd != nil {
		b.Odd(b.path(), odd)
	}
	return lines, err
}

// read gives the lines, each once, and the numbers of those that make no sense, as a kill may leave one.
func (b Book) read() (lines []line, odd []int, err error) {
	if b.Folder == "" {
		return nil, nil, nil
	}
	f, err := files.OpenOwn(b.path(), os.O_RDONLY)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil, nil
	}
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	if err := b.check(); err != nil {
		return nil, nil, err
	}
	text, err := b.text(f)
	if err != nil {
		return nil, nil, err
	}
	lines, odd = parse(text)
	return lines, odd, nil
}

// text reads the book from its beginning.
func (b Book) text(f *os.File) ([]byte, error) {
	text, err := io.ReadAll(io.NewSectionReader(f, 0, maxBook+1))
	if err == nil && len(text) > maxBook {
		err = fmt.Errorf("%s has more than %d bytes, and what is set aside can't be told by it: look into it, and move it away", b.path(), maxBook)
	}
	return text, err
}

func parse(text []byte) (lines []line, odd []int) {
	seen := make(map[line]bool)
	n := 0
	for one := range bytes.Lines(text) { // of any length
		n++
		one = bytes.TrimSuffix(one, []byte("\n"))
		var l line
		switch {
		case len(one) == 0:
		case files.UnmarshalExact(one, &l) != nil || !filepath.IsAbs(l.Target+l.Single) || l.Target != "" && l.Single != "":
			odd = append(odd, n)
		case !seen[l]:
			seen[l] = true
			lines = append(lines, l)
		}
	}
	return lines, odd
}

// forget takes lines out, by a new file in the place of the old one. What makes no sense is out then, too. Where the system has
// no locks it takes none out: they harm nothing.
func (b Book) forget(gone []line) (err error) {
	if len(gone) == 0 {
		return nil
	}
	unlock, err := b.lock()
	if errors.Is(err, errNoLocks) {
		return nil
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, unlock()) }()
	lines, _, err := b.read() // what others added by now, too
	if err != nil {
		return err
	}
	return files.Write(b.path(), true, func(w io.Writer) error {
		for _, l := range without(lines, gone) {
			if err := files.EncodeExact(w, l); err != nil {
				return err
			}
		}
		return nil
	})
}
