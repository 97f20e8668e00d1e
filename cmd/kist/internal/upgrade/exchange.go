package upgrade

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"

	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store/volume"
)

// Tree is what a folder or a file is known by, whatever its name.
type Tree struct {
	Kind   string `json:"kind"` // folder, file, or entries: those of a mount point, whose folder stays
	Device uint64 `json:"device"`
	Inode  uint64 `json:"inode"`
	// Entries are the inodes of some of the entries of a mount point.
	Entries map[string]uint64 `json:"entries,omitempty"`
}

// Kinds of trees.
const (
	kindFolder  = "folder"
	kindFile    = "file"
	kindEntries = "entries"
	kindCopied  = "copied" // by an engine, over what was there: nothing tells how far
)

// Exchange is what is put in the place of what, noted before it is.
type Exchange struct {
	Stood Tree   `json:"stood"`
	Built Tree   `json:"built"`
	Boot  string `json:"boot,omitempty"` // of the machine; devices may have other numbers after the next one

	// Of a single file: where it was built, and what it is to be kept as.
	Part string `json:"part,omitempty"`
	Kept string `json:"kept,omitempty"`
}

// NewExchange notes what stands at a place and what was built for it. A folder that was built within the place, since
// that is a mount point, is known by its entries.
func NewExchange(place, built string) (x Exchange, err error) {
	x.Boot = bootID()
	if paths.Within(paths.ResolvePlace(place), paths.ResolvePlace(built)) {
		if x.Stood, err = entriesOf(place); err == nil {
			x.Built, err = entriesOf(built)
		}
		return x, err
	}
	if x.Stood, err = treeAt(place); errors.Is(err, os.ErrNotExist) {
		err = nil // as where a mount was never made
	}
	if err == nil {
		x.Built, err = treeAt(built)
	}
	return x, err
}

// Copied stands for what an engine copies over what is there.
var Copied = Exchange{Built: Tree{Kind: kindCopied}}

// LookAgain notes what stands at the place now.
func (x *Exchange) LookAgain(place string) (err error) {
	if x.Built.Kind == kindEntries {
		x.Stood, err = entriesOf(place)
		return err
	}
	if x.Stood, err = treeAt(place); errors.Is(err, os.ErrNotExist) {
		err = nil
	}
	return err
}

// maxEntries bounds what is noted of a mount point.
const maxEntries = 32

// ownEntry fits what restores put into a mount point for themselves.
var ownEntry = regexp.MustCompile(`^\.(new|out|in|before|rescued|part|kist-aside)-`)

// entriesOf knows what lies in a folder, but for what restores set aside there.
func entriesOf(dir string) (Tree, error) {
	all, err := os.ReadDir(dir)
	if err != nil {
		return Tree{}, err
	}
	t, err := treeAt(dir)
	t.Kind, t.Inode, t.Entries = kindEntries, 0, make(map[string]uint64)
	for _, e := range all {
		if len(t.Entries) == maxEntries || err != nil {
			break
		}
		if ownEntry.MatchString(e.Name()) {
			continue
		}
		info, failed := os.Lstat(filepath.Join(dir, e.Name()))
		if errors.Is(failed, os.ErrNotExist) {
			continue
		}
		if err = failed; err == nil {
			_, t.Entries[e.Name()], err = identity(info)
		}
	}
	return t, err
}

// treeAt knows a folder or a file by its path.
func treeAt(path string) (t Tree, err error) {
	info, err := os.Stat(path)
	if err != nil {
		return t, err
	}
	t.Kind = kindFile
	if info.IsDir() {
		t.Kind = kindFolder
	}
	t.Device, t.Inode, err = identity(info)
	return t, err
}

// isAt tells whether the tree is what lies at a path now.
func (t Tree) isAt(path, boot string) bool {
	is, err := treeAt(path)
	if err != nil {
		return t.Kind == "" && errors.Is(err, os.ErrNotExist)
	}
	sameBoot := boot != "" && boot == bootID()
	if sameBoot && t.Device != is.Device {
		return false
	}
	if t.Kind != kindEntries {
		return t.Kind == is.Kind && t.Inode == is.Inode
	}
	if is, err = entriesOf(path); err != nil {
		return false
	}
	for name, inode := range t.Entries {
		if is.Entries[name] == inode || len(is.Entries) == maxEntries && hasInode(filepath.Join(path, name), inode) {
			return true
		}
	}
	return len(t.Entries)+len(is.Entries) == 0
}

func hasInode(path string, inode uint64) bool {
	info, err := os.Lstat(path)
	if err != nil {
		return false
	}
	_, is, err := identity(info)
	return err == nil && is == inode
}

// ground is where the places lie; tests have one of their own.
type ground interface {
	// order puts in order what an exchange left that was killed.
	order(place string, x Exchange) error
	// stands tells what is at a place now. Neither says that it is something else, or both seem to be.
	stands(place string, x Exchange) (stood, built bool)
	// kept finds where what stood is now, "" where it is gone.
	kept(place string, x Exchange) string
}

// disk is the ground that this machine has.
type disk struct{}

func (disk) order(place string, x Exchange) error {
	if x.Built.Kind != kindFile {
		_, err := volume.Recover(place)
		return err
	}
	if x.Part == "" {
		return nil
	}
	site, err := volume.OpenFileSite(place)
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, volume.ErrNotReplaceable) {
		return nil // what stands there is neither
	}
	if err != nil {
		return err
	}
	defer site.Close()
	if hasInode(x.Kept, x.Stood.Inode) {
		if err := site.Settle(filepath.Base(x.Kept)); err != nil {
			return err
		}
	}
	// One rename did it, or did not: then nothing of what was built stays.
	if x.Stood.isAt(place, x.Boot) {
		return site.Remove(filepath.Base(x.Part))
	}
	return nil
}

func (disk) stands(place string, x Exchange) (stood, built bool) {
	stood, built = x.Stood.isAt(place, x.Boot), x.Built.isAt(place, x.Boot)
	if x.Built.Kind == kindEntries && len(x.Stood.Entries)+len(x.Built.Entries) == 0 {
		return stood, false // nothing for nothing
	}
	return stood && !built, built && !stood
}

func (disk) kept(place string, x Exchange) string {
	if x.Kept != "" {
		if x.Stood.isAt(x.Kept, x.Boot) {
			return x.Kept
		}
		return ""
	}
	found, _ := volume.FindAside(place)
	for _, a := range found {
		if a.Kind == volume.AsidePrevious && x.Stood.isAt(a.Path, x.Boot) {
			return a.Path
		}
	}
	return ""
}

// PlaceError says that what is at a place is neither what stood there nor what was built for it.
type PlaceError struct {
	Place string
	Kept  string // where what stood there is, "" where it is not found

	Journal string // its path
}

func (e *PlaceError) Error() string {
	text := fmt.Sprintf("%s is neither what stood there when going back began, nor what was built from the capture", screen.Line(e.Place))
	if e.Kept != "" {
		text += fmt.Sprintf(" (what stood there is %s)", screen.Line(e.Kept))
	}
	return text + ": nothing is started, stopped or exchanged. Put one of the two there, then kist resume; or, if what is there is right, see by hand that what is to run runs, and remove the journal " + e.Journal
}

// untouched tells whether nothing was exchanged, nor begun to be. It is for places that are settled.
func (w *work) untouched() bool {
	for _, x := range w.Exchanges {
		if x.Built.Kind == kindCopied {
			return false
		}
	}
	return len(w.Kept) == 0
}

// settle finds out, after a kill, which places were exchanged, before anything else is looked at: a container that is
// started on a place that is half exchanged would write into it.
func (w *work) settle() error {
	on := w.ground
	if on == nil {
		on = disk{}
	}
	for place, x := range w.Exchanges {
		if _, done := w.Kept[place]; done || x.Built.Kind == kindCopied {
			continue
		}
		if err := on.order(place, x); err != nil {
			return fmt.Errorf("putting %s in order: %w", place, err)
		}
		switch stood, built := on.stands(place, x); {
		case built:
			w.kept(place, on.kept(place, x))
		case !stood:
			return &PlaceError{Place: place, Kept: on.kept(place, x)}
		}
	}
	return nil
}
