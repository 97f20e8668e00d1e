package rehearse

import (
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/notes"
)

// note says what a rehearsal makes.
type note struct {
	Token      string    `json:"token"` // in all names
	Began      time.Time `json:"began"`
	Scratch    string    `json:"scratch"` // folder
	Engine     string    `json:"engine,omitempty"`
	Containers int       `json:"containers,omitempty"` // how many may be made

	file *notes.File
}

const (
	noteNames = "rehearsal-*.json"
	maxNote   = 64 << 10

	// prefix begins the names of all that is made, with a token behind it.
	prefix = "kist-rehearsal-"
	// label is that of containers, with the token as its value.
	label = "kist.rehearsal"
)

func noteName(token string) string { return "rehearsal-" + token + ".json" }

func (n *note) container(i int) string { return prefix + n.Token + "-" + strconv.Itoa(i+1) }

// folderOf is the folder of notes at a path: they name programs to run, and folders to remove.
func folderOf(dir string) notes.Folder {
	return notes.Folder{Path: dir, Kind: "notes about rehearsals"}
}

// write puts the note into a folder.
func (n *note) write(dir string) error {
	text, err := files.MarshalExact(*n)
	if err == nil {
		n.file, err = folderOf(dir).Put(noteName(n.Token), append(text, '\n'))
	}
	if err != nil {
		return fmt.Errorf("a note about a rehearsal, without which none is begun: %w", err)
	}
	n.making(never)
	return nil
}

// A note's file has the time at which the engine was asked to make a container, which it may go on to do when kist
// is killed; never where it has answered.
var never = time.Unix(1, 0)

// makingTime is longer than an engine takes to make a container.
const makingTime = 10 * time.Minute

func (n *note) making(at time.Time) {
	n.file.Stamp(at) // without, a container that nobody started may stay
}

func (n *note) mayBeMaking() bool {
	at, err := n.file.Stamped()
	return err == nil && time.Since(at) < makingTime
}

// end takes the note away.
func (n *note) end() error { return errors.Join(n.file.Remove(), n.release()) }

// release leaves the note to a later run.
func (n *note) release() error { return n.file.Release() }

// takeNote opens a note and locks it. It gives nil where another works by it.
func takeNote(path string) (*note, error) {
	f, err := notes.Take(path)
	if f == nil {
		return nil, err
	}
	n := &note{file: f}
	text, err := f.Text(maxNote)
	if err == nil {
		if err = files.UnmarshalExact(text, n); err != nil {
			err = fmt.Errorf("it is no note of a rehearsal that can be read, and kist made none such; look at it, and remove it: %w", err)
		}
	}
	if err == nil {
		err = n.check(path)
	}
	if err != nil {
		n.release()
		return nil, err
	}
	return n, nil
}

// check sees that the note is one: what it names is removed.
func (n *note) check(path string) error {
	const most = 1000
	switch {
	case n.Token == "" || strings.Trim(n.Token, "0123456789abcdef") != "" || filepath.Base(path) != noteName(n.Token):
		return errors.New("it is not about what its name says")
	case !filepath.IsAbs(n.Scratch) || filepath.Base(n.Scratch) != prefix+n.Token:
		return errors.New("it does not name a folder of a rehearsal")
	case n.Containers < 0 || n.Containers > most:
		return errors.New("it names too many containers")
	}
	return nil
}
