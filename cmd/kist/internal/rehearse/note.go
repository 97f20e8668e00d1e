package rehearse

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/store/storage/cache"
)

// note says what a rehearsal makes.
type note struct {
	Token      string    `json:"token"` // in all names
	Began      time.Time `json:"began"`
	Scratch    string    `json:"scratch"` // folder
	Engine     string    `json:"engine,omitempty"`
	Containers int       `json:"containers,omitempty"` // how many may be made

	file *os.File
	path string
}

const (
	noteNames = "rehearsal-*.json"
	maxNote   = 64 << 10

	// prefix begins the names of all that is made, with a token behind it.
	prefix = "kist-rehearsal-"
	// label is that of containers, with the token as its value.
	label = "kist.rehearsal"
)

func notePath(dir, token string) string { return filepath.Join(dir, "rehearsal-"+token+".json") }

func (n *note) container(i int) string { return prefix + n.Token + "-" + strconv.Itoa(i+1) }

// write puts the note into a folder, locked before it has its name.
func (n *note) write(dir string) (err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("the folder for notes about rehearsals: %w", err)
	}
	if err := checkPrivate(dir); err != nil {
		return err
	}
	if n.file, err = os.CreateTemp(dir, ".new-"); err != nil {
		return fmt.Errorf("a note about a rehearsal: %w", err)
	}
	defer func() {
		os.Remove(n.file.Name())
		if err != nil {
			n.file.Close()
			err = fmt.Errorf("a note about a rehearsal, without which none is begun: %w", err)
		}
	}()
	if ours, err := files.TryLock(n.file); err != nil || !ours {
		return errors.Join(err, errors.New("it can't be locked"))
	}
	if err := errors.Join(files.EncodeExact(n.file, *n), n.file.Sync()); err != nil {
		return err
	}
	if err := os.Link(n.file.Name(), notePath(dir, n.Token)); err != nil {
		return err
	}
	n.path = notePath(dir, n.Token)
	n.making(never)
	return files.SyncFolder(dir)
}

// A note's file has the time at which the engine was asked to make a container, which it may go on to do when kist
// is killed; never where it has answered.
var never = time.Unix(1, 0)

// makingTime is longer than an engine takes to make a container.
const makingTime = 10 * time.Minute

func (n *note) making(at time.Time) {
	os.Chtimes(n.path, at, at) // without, a container that nobody started may stay
}

func (n *note) mayBeMaking() bool {
	info, err := n.file.Stat()
	return err == nil && time.Since(info.ModTime()) < makingTime
}

// end takes the note away.
func (n *note) end(dir string) error {
	err := os.Remove(notePath(dir, n.Token))
	if errors.Is(err, os.ErrNotExist) {
		err = nil
	}
	return errors.Join(err, n.release())
}

// release leaves the note to a later run.
func (n *note) release() error { return n.file.Close() }

// checkPrivate makes sure that nobody else can put notes into a folder: they name programs to
// run, and folders to remove.
func checkPrivate(dir string) error {
	if err := cache.Check(dir); errors.Is(err, cache.ErrShared) {
		return fmt.Errorf("notes about rehearsals in %s are not used: others can write there, or own it (see XDG_STATE_HOME)", dir)
	} else if err != nil {
		return err
	}
	return nil
}

// takeNote opens a note and locks it. It gives nil where another works by it.
func takeNote(path string) (_ *note, err error) {
	f, err := files.OpenLocked(path, os.O_RDONLY)
	if f == nil {
		return nil, err
	}
	n := &note{}
	defer func() {
		if err != nil {
			f.Close()
		}
	}()
	b, err := io.ReadAll(io.LimitReader(f, maxNote))
	if err == nil {
		if err = files.UnmarshalExact(b, n); err != nil {
			err = fmt.Errorf("it is no note of a rehearsal that can be read, and kist made none such; look at it, and remove it: %w", err)
		}
	}
	if err == nil {
		err = n.check(path)
	}
	n.file = f
	return n, err
}

// check sees that the note is one: what it names is removed.
func (n *note) check(path string) error {
	const most = 1000
	switch {
	case n.Token == "" || strings.Trim(n.Token, "0123456789abcdef") != "" || path != notePath(filepath.Dir(path), n.Token):
		return errors.New("it is not about what its name says")
	case !filepath.IsAbs(n.Scratch) || filepath.Base(n.Scratch) != prefix+n.Token:
		return errors.New("it does not name a folder of a rehearsal")
	case n.Containers < 0 || n.Containers > most:
		return errors.New("it names too many containers")
	}
	return nil
}
