package stopped

import (
	"context"
	"errors"
	"fmt"
	"io/fs"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// Held is what a run of kist holds still, or is about to: a container, or what commands hold.
type Held struct {
	What string // it is, for people

	Container, ID, Engine string   // "": it is no container
	Folders               []string // that it writes to, as far as they are on this machine
}

func (n *note) held() Held {
	if n.After != "" {
		return Held{What: n.what(), Folders: n.Folders}
	}
	return Held{n.what(), n.Container, n.ID, n.Engine, n.Folders}
}

// Held gives what is held still on this machine by notes, be it by a run that was killed or by a restore that did not come to its
// end. It fails where a note can't be read.
func (k *Keeper) Held() (all []Held, err error) {
	dir, err := k.Folder()
	if err != nil {
		return nil, nil // nor could a note have been written
	}
	for _, pattern := range noteNames() {
		found, err := files.Matching(dir, pattern)
		if err != nil {
			return nil, err
		}
		for _, path := range found {
			n, err := readNote(path)
			if errors.Is(err, fs.ErrNotExist) {
				continue
			}
			if err != nil {
				return nil, fmt.Errorf("note %s: %w", path, err)
			}
			all = append(all, n.held())
		}
	}
	return all, nil
}

// foldersOf gives the folders of this machine that a container writes to.
func foldersOf(c *engine.Container) (all []string) {
	for _, m := range c.Mounts {
		if m.RW && m.Source != "" {
			all = append(all, m.Source)
		}
	}
	return all
}

// claim puts a note, and only then looks whether an upgrade is about the same. That puts its journal, and only then looks for notes:
// of two that begin at once, one sees the other, or both do.
func (k *Keeper) claim(n *note) (*note, error) {
	written, err := k.put(n)
	if err != nil {
		return nil, err
	}
	if _, err := k.upgrading(n); err != nil {
		return nil, errors.Join(err, written.remove())
	}
	return written, nil
}

// upgrading fails where an upgrade that is not at its end is about the same as a note.
func (k *Keeper) upgrading(n *note) (begun bool, err error) {
	if k.Upgrade == nil {
		return false, nil
	}
	return k.Upgrade(n.held())
}

// checkName fails where a container has another name than it had when it was asked for: an upgrade came and went meanwhile, and
// another one is the service.
func (c Target) checkName(ctx context.Context) error {
	now, err := c.Engine.Inspect(ctx, c.ID)
	if err == nil && now.Name != c.Name {
		err = fmt.Errorf("container %s was set aside as %s meanwhile, by an upgrade or by hand: nothing was stopped. Run this again for what has its place", screen.Line(c.Name), screen.Line(now.Name))
	}
	return err
}

// checkStart fails where the container of a note must not be started: an upgrade sees to what runs, or another one has its
// name and its place by now.
func (k *Keeper) checkStart(ctx context.Context, e *engine.Engine, n *note) (begun bool, err error) {
	if begun, err := k.upgrading(n); begun {
		return true, fmt.Errorf("container %s is not started: %w", screen.Line(n.Container), err)
	}
	c, err := e.Inspect(ctx, n.ID)
	if err != nil || c.Name == n.Container {
		return false, nil // the start tells what is wrong
	}
	if _, err := e.Inspect(ctx, n.Container); errors.Is(err, engine.ErrNotFound) {
		return false, nil // somebody gave it another name, and it no successor
	}
	return false, fmt.Errorf("container %s was set aside as %s while it was stopped, and another one has its name: it is not started beside that", screen.Line(n.Container), screen.Line(c.Name))
}
