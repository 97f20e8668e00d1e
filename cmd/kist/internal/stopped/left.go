package stopped

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// Left is a container that a restore stopped which did not come to its end. Whoever takes it starts it
// or releases it.
type Left struct {
	keeper *Keeper
	target Target
	note   *note
}

// TakeLeft takes what an earlier run left stopped of a container, or gives nil.
func (k *Keeper) TakeLeft(c Target) (*Left, error) {
	dir, err := k.Folder()
	if err != nil {
		return nil, nil // nor could a note have been written
	}
	n, err := takeNote(filepath.Join(dir, noteName(c.ID)))
	if n == nil || err != nil {
		return nil, err
	}
	return &Left{k, c, n}, nil
}

// Ran tells whether it was running before that restore.
func (l *Left) Ran() bool { return !l.note.Stood }

// Covers tells whether what was restored of some mounts is all that was left half done.
func (l *Left) Covers(mounts []string) bool {
	return len(l.note.Mounts) > 0 && !slices.ContainsFunc(l.note.Mounts, func(m string) bool { return !slices.Contains(mounts, m) })
}

// Start starts the container, even after an interrupt, if it ran before, and takes the note of it away.
func (l *Left) Start(ctx context.Context) error {
	if !l.Ran() {
		return l.note.remove()
	}
	ctx = context.WithoutCancel(ctx)
	if _, err := l.keeper.checkStart(ctx, l.target.Engine, l.note); err != nil {
		return errors.Join(err, l.note.remove())
	}
	if err := l.target.Engine.Start(ctx, l.target.ID); err != nil {
		return &DownError{fmt.Errorf("CONTAINER %s IS STOPPED and could not be started again (%s start %s does it): %w",
			screen.Line(l.target.Name), l.target.Engine.Name(), screen.Line(l.target.Name), errors.Join(err, l.note.release()))}
	}
	return l.note.remove()
}

// Release leaves it as it is, to another run.
func (l *Left) Release() error { return l.note.release() }
