package stopped

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/notes"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// A stop note says that a container is stopped for as long as a run of kist
// takes. That run holds a lock on it, which the system lets go when the run
// ends, however it ends. A note without a lock is of a run that was killed.
type note struct {
	Container string    `json:"container"`
	ID        string    `json:"id"`
	Engine    string    `json:"engine"`
	Stopped   time.Time `json:"stopped"`
	Restoring bool      `json:"restoring"` // into it
	// Stood says that it was not running before.
	Stood bool `json:"stood,omitempty"`
	// Places are the folders that are restored, and Mounts the paths in the container of all that is.
	Places []string `json:"places,omitempty"`
	Mounts []string `json:"mounts,omitempty"`
	// Folders are those that what is held still writes to.
	Folders []string `json:"writes,omitempty"`

	// After is the command that lets go of what no container is; then only ID is set of what is above.
	After   string `json:"after,omitempty"`
	WorkDir string `json:"folder,omitempty"` // in which it is run
	// Token and Session find what the command goes on doing that was run before, until that came to its end.
	Token   string `json:"token,omitempty"`
	Session int    `json:"session,omitempty"`

	file *notes.File
}

const maxNote = 1 << 20

// noteNames are patterns of notes' names. Earlier releases know the first one only.
func noteNames() [2]string { return [2]string{"stopped-*.json", "still-*.json"} }

// newNote is one of a container that is about to be stopped.
func newNote(c Target) *note {
	return &note{Container: c.Name, ID: c.ID, Engine: c.Engine.Name(), Stopped: time.Now(), Folders: foldersOf(c.Container)}
}

// folderOf is the folder of notes at a path: they name programs to run.
func folderOf(dir string) notes.Folder {
	return notes.Folder{Path: dir, Kind: "notes about stopped containers"}
}

// put writes a note before anything is held still.
func (k *Keeper) put(n *note) (*note, error) {
	dir, err := k.Folder()
	if err != nil {
		return nil, err
	}
	text, err := files.MarshalExact(*n)
	if err == nil {
		n.file, err = folderOf(dir).Put(n.name(), append(text, '\n'))
	}
	if errors.Is(err, notes.ErrTaken) {
		return nil, fmt.Errorf("%s is kept %s by another run of kist%s (%s says so)", n.what(), n.state(), n.orFailed(), filepath.Join(dir, n.name()))
	}
	if err != nil {
		return nil, fmt.Errorf("a note about %s, without which it is not %s: %w", n.what(), n.state(), err)
	}
	return n, nil
}

func (n *note) name() string {
	if n.After != "" {
		return "still-" + n.ID + ".json"
	}
	return noteName(n.ID)
}

func (n *note) what() string {
	if n.After != "" {
		return fmt.Sprintf("what --after %.200q lets go", engine.MaskLine(n.After))
	}
	return "container " + screen.Line(n.Container)
}

func (n *note) orFailed() string {
	if n.After != "" {
		return ", or by one whose --after failed"
	}
	return ""
}

func (n *note) state() string {
	if n.After != "" {
		return "still"
	}
	return "stopped"
}

// remove takes the note away: the container runs again.
func (n *note) remove() error { return errors.Join(n.file.Remove(), n.release()) }

// release leaves the note to the next run.
func (n *note) release() error { return n.file.Release() }

func noteName(id string) string { return "stopped-" + id + ".json" }

// StartLeft starts the containers that runs which were killed left stopped, and runs the
// commands that were to be run after: what was stopped last comes first.
func (k *Keeper) StartLeft(ctx context.Context) error {
	dir, err := k.Folder()
	if err != nil {
		return nil // nor could a note have been written
	}
	if err := folderOf(dir).Check(); err != nil {
		return err
	}
	var left []*note
	var errs []error
	for _, pattern := range noteNames() {
		found, err := files.Matching(dir, pattern)
		if err != nil {
			errs = append(errs, err)
		}
		for _, path := range found {
			n, err := takeNote(path)
			if err != nil {
				errs = append(errs, fmt.Errorf("note %s: %w", path, err))
			} else if n != nil {
				left = append(left, n)
			}
		}
	}
	slices.SortStableFunc(left, func(a, b *note) int { return b.Stopped.Compare(a.Stopped) })
	for _, n := range left {
		resume := k.startNoted
		if n.After != "" {
			resume = k.letGoNoted
		}
		if err := resume(ctx, n); err != nil {
			errs = append(errs, err) // which says of what; the note's name says nothing to people
		}
	}
	return errors.Join(errs...)
}

// startNoted starts the container of a note that a run which was killed left.
func (k *Keeper) startNoted(ctx context.Context, n *note) error {
	e := k.Engine(cmp.Or(n.Engine, engine.Default))
	c, err := e.Inspect(ctx, n.ID)
	switch {
	case errors.Is(err, engine.ErrNotFound) || err == nil && c.Running && !c.Stopping:
		return n.remove()
	case err == nil && n.Restoring:
		k.Screen.Warn("container %s is stopped since %s: a restore into it did not come to its end, and its data may be part new, part old. Restore again, or start it as it is (%s start %s).",
			screen.Printable(n.Container), screen.LocalTime(n.Stopped), e.Name(), screen.Printable(n.Container))
		k.report(n.Container, LeftStopped)
		return n.release()
	case err == nil:
		if begun, why := k.checkStart(ctx, e, n); why != nil {
			return k.leave(n, begun, why)
		}
		k.Screen.Warn("container %s was stopped at %s by a run of kist that did not come to start it again. It is started now.", screen.Printable(n.Container), screen.LocalTime(n.Stopped))
		err = restart(ctx, e, c)
	}
	if err != nil {
		k.report(n.Container, Failed)
		return errors.Join(fmt.Errorf("container %s is stopped since %s, and could not be started (%s start %s does it): %w",
			screen.Line(n.Container), screen.LocalTime(n.Stopped), e.Name(), screen.Line(n.Container), err), n.release())
	}
	k.report(n.Container, Started)
	return n.remove()
}

// leave says why the container of a note is not started. Where an upgrade sees to what runs, it is looked at again after that.
func (k *Keeper) leave(n *note, upgrading bool, why error) error {
	k.Screen.Warn("%s.", screen.Text(why.Error()))
	k.report(n.Container, LeftStopped)
	if upgrading {
		return n.release()
	}
	return n.remove()
}

// restart starts a container that stands, or is about to.
func restart(ctx context.Context, e *engine.Engine, c *engine.Container) error {
	if c.Stopping {
		if err := e.Stop(ctx, c); err != nil { // waits for its end
			return err
		}
	}
	return e.Start(ctx, c.ID)
}

// takeNote reads a note and locks it. It gives nil where that is another's.
func takeNote(path string) (*note, error) {
	f, err := notes.Take(path)
	if f == nil {
		return nil, err
	}
	text, err := f.Text(maxNote)
	n := &note{}
	if err == nil {
		n, err = decode(path, text)
	}
	if n.file = f; err != nil {
		n.release()
		return nil, err
	}
	return n, nil
}

// readNote reads a note, be it another's.
func readNote(path string) (*note, error) {
	text, err := notes.Read(path, maxNote)
	if err != nil {
		return nil, err
	}
	return decode(path, text)
}

func decode(path string, text []byte) (*note, error) {
	n := &note{}
	if err := files.UnmarshalExact(text, n); err != nil {
		return n, fmt.Errorf("it is no note of what is stopped that can be read, and kist made none such; look at it, and remove it: %w", err)
	}
	if filepath.Base(path) != n.name() {
		return n, errors.New("it is not about what its name says")
	}
	return n, nil
}
