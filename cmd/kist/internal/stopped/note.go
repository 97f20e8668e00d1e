package stopped

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store/storage/cache"
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

	// After is the command that lets go of what no container is; then only ID is set of what is above.
	After   string `json:"after,omitempty"`
	WorkDir string `json:"folder,omitempty"` // in which it is run

	file *os.File
}

const maxNote = 64 << 10

// noteNames are patterns of notes' names. Earlier releases know the first one only.
func noteNames() [2]string { return [2]string{"stopped-*.json", "still-*.json"} }

// newNote is one of a container that is about to be stopped.
func newNote(c Target) *note {
	return &note{Container: c.Name, ID: c.ID, Engine: c.Engine.Name(), Stopped: time.Now()}
}

// put writes a note before anything is held still.
func (k *Keeper) put(n *note) (_ *note, err error) {
	dir, err := k.Folder()
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("the folder for notes about stopped containers: %w", err)
	}
	if err := checkNotes(dir); err != nil {
		return nil, err
	}
	path := n.pathIn(dir)
	// It is locked before it has its name, so that nobody finds it without a lock.
	if n.file, err = os.CreateTemp(dir, ".new-"); err != nil {
		return nil, fmt.Errorf("a note about a stopped container: %w", err)
	}
	defer func() {
		if err != nil {
			os.Remove(n.file.Name())
			n.file.Close()
		}
	}()
	locked, err := files.TryLock(n.file)
	if err == nil && !locked {
		err = errors.New("it is locked by another")
	}
	if err == nil {
		err = errors.Join(files.EncodeExact(n.file, *n), n.file.Sync())
	}
	if err == nil {
		err = os.Link(n.file.Name(), path)
	}
	if errors.Is(err, os.ErrExist) {
		return nil, fmt.Errorf("%s is kept %s by another run of kist%s (%s says so)", n.what(), n.state(), n.orFailed(), path)
	}
	if err == nil {
		err = errors.Join(os.Remove(n.file.Name()), files.SyncFolder(dir))
	}
	if err != nil {
		return nil, fmt.Errorf("a note about %s, without which it is not %s: %w", n.what(), n.state(), err)
	}
	return n, nil
}

func (n *note) path() string { return n.pathIn(filepath.Dir(n.file.Name())) }

func (n *note) pathIn(dir string) string {
	if n.After != "" {
		return filepath.Join(dir, "still-"+n.ID+".json")
	}
	return notePath(dir, n.ID)
}

func (n *note) what() string {
	if n.After != "" {
		return fmt.Sprintf("what --after %.200q lets go", engine.MaskLine(n.After))
	}
	return "container " + n.Container
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
func (n *note) remove() error { return errors.Join(os.Remove(n.path()), n.file.Close()) }

// release leaves the note to the next run.
func (n *note) release() error { return n.file.Close() }

func notePath(dir, id string) string { return filepath.Join(dir, "stopped-"+id+".json") }

// checkNotes makes sure that nobody else can put notes into a folder: they name programs to run.
func checkNotes(dir string) error {
	if err := cache.Check(dir); errors.Is(err, cache.ErrShared) {
		return fmt.Errorf("notes about stopped containers in %s are not used: others can write there, or own it (see XDG_STATE_HOME)", dir)
	} else if err != nil {
		return err
	}
	return nil
}

// StartLeft starts the containers that runs which were killed left stopped, and runs the
// commands that were to be run after: what was stopped last comes first.
func (k *Keeper) StartLeft(ctx context.Context) error {
	dir, err := k.Folder()
	if err != nil {
		return nil // nor could a note have been written
	}
	if err := checkNotes(dir); err != nil {
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
		k.Screen.Warn("container %s was stopped at %s by a run of kist that did not come to start it again. It is started now.", screen.Printable(n.Container), screen.LocalTime(n.Stopped))
		err = restart(ctx, e, c)
	}
	if err != nil {
		k.report(n.Container, Failed)
		return errors.Join(fmt.Errorf("container %s is stopped since %s, and could not be started (%s start %s does it): %w",
			n.Container, screen.LocalTime(n.Stopped), e.Name(), n.Container, err), n.release())
	}
	k.report(n.Container, Started)
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
			err = fmt.Errorf("it is no note of what is stopped that can be read, and kist made none such; look at it, and remove it: %w", err)
		}
	}
	if err == nil && path != n.pathIn(filepath.Dir(path)) {
		err = errors.New("it is not about what its name says")
	}
	n.file = f
	return n, err
}
