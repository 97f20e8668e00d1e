package rehearse

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/watch"
)

// Keeper makes places for rehearsals, and removes what killed ones left.
type Keeper struct {
	Screen *screen.Screen
	Folder func() (string, error)              // where notes are kept
	Engine func(program string) *engine.Engine // of a note
	Report func(scratch string, err error)     // what RemoveLeft did of each; nil: nobody asks
}

// Place is what one rehearsal makes: Remove must be called.
type Place struct {
	*note
	engine  *engine.Engine
	removed bool
}

// Begin makes a scratch folder of its own in the folder above, for this user alone. Up to so many containers may be
// made by the engine, which may be nil for none.
func (k *Keeper) Begin(above string, e *engine.Engine, most int) (*Place, error) {
	above, err := filepath.Abs(above)
	if err != nil {
		return nil, err
	}
	if most > 0 && strings.Contains(above, ":") {
		return nil, fmt.Errorf("%s: container engines take no path with a colon for a mount: name another scratch folder", above)
	}
	if info, err := os.Stat(above); err != nil {
		return nil, fmt.Errorf("the folder for scratch: %w", err)
	} else if !info.IsDir() {
		return nil, fmt.Errorf("the folder for scratch: %s is no folder", above)
	}
	if err := checkAbove(above); err != nil {
		return nil, err
	}
	dir, err := k.Folder()
	if err != nil {
		return nil, err
	}
	token := newToken()
	p := &Place{note: &note{Token: token, Began: time.Now().UTC().Truncate(time.Second), Scratch: filepath.Join(above, prefix+token)}, engine: e}
	if e != nil && most > 0 {
		p.Engine, p.Containers = e.Name(), most
	}
	if err := p.write(dir); err != nil {
		return nil, err
	}
	if err := os.Mkdir(p.Scratch, 0o700); err != nil {
		return nil, errors.Join(fmt.Errorf("the scratch folder: %w", err), p.end())
	}
	return p, nil
}

func newToken() string {
	b := make([]byte, 6)
	rand.Read(b) // never fails: crypto/rand ends the process instead
	return hex.EncodeToString(b)
}

// Dir gives the scratch folder.
func (p *Place) Dir() string { return p.Scratch }

// Remove removes all that was made, even after an interrupt. What can't be removed is left to the next run.
func (p *Place) Remove(ctx context.Context) error {
	if p.removed {
		return nil
	}
	p.removed = true
	ctx = context.WithoutCancel(ctx)
	if _, err := p.clear(ctx, p.engine); err != nil {
		return errors.Join(fmt.Errorf("a rehearsal could not be cleared away; the next kist rehearse, or kist resume, tries again: %w", err), p.release())
	}
	return p.end()
}

// clear removes what a note names: containers before the folder that they have mounted. some tells that one of
// the containers was there.
func (n *note) clear(ctx context.Context, e *engine.Engine) (some bool, err error) {
	for i := range n.Containers {
		found, err := n.discard(ctx, e, i)
		if err != nil {
			return false, err
		}
		some = some || found
	}
	if err := files.RemoveTree(n.Scratch); err != nil {
		return false, fmt.Errorf("the scratch folder: %w", err)
	}
	return some, nil
}

// discard removes a container of the note, if it is there.
func (n *note) discard(ctx context.Context, e *engine.Engine, i int) (found bool, err error) {
	c, err := e.Inspect(ctx, n.container(i))
	if errors.Is(err, engine.ErrNotFound) || err == nil && c.Labels[label] != n.Token {
		return false, nil
	}
	if err == nil {
		err = e.Discard(ctx, c.ID)
	}
	if err != nil && c != nil { // an engine may fail of what it leaves of its own
		if _, gone := e.Inspect(ctx, c.ID); errors.Is(gone, engine.ErrNotFound) {
			return true, nil
		}
	}
	if err != nil {
		return false, fmt.Errorf("container %s, which is to be thrown away: %w", n.container(i), err)
	}
	return true, nil
}

// RemoveLeft removes what runs left that were killed.
func (k *Keeper) RemoveLeft(ctx context.Context) error {
	dir, err := k.Folder()
	if err != nil {
		return nil // nor could a note have been written
	}
	found, err := files.Matching(dir, noteNames)
	if err != nil || len(found) == 0 {
		return err
	}
	if err := folderOf(dir).Check(); err != nil {
		return err
	}
	var errs []error
	for _, path := range found {
		n, err := takeNote(path)
		if n != nil && err == nil {
			err = k.removeNoted(ctx, n)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("note %s: %w", path, err))
		}
	}
	return errors.Join(errs...)
}

func (k *Keeper) removeNoted(ctx context.Context, n *note) error {
	e := k.Engine(n.Engine)
	_, gone := os.Lstat(n.Scratch)
	found, err := n.clear(ctx, e)
	if gone == nil || err != nil {
		k.report(n.Scratch, err)
	}
	if err != nil {
		return errors.Join(err, n.release())
	}
	if gone == nil {
		k.Screen.Warn("a rehearsal that began at %s did not come to its end: what it left in %s is removed.", screen.LocalTime(n.Began), screen.Printable(n.Scratch))
	}
	if !found && n.mayBeMaking() {
		return n.release() // it is looked for again later
	}
	return n.end()
}

func (k *Keeper) report(scratch string, err error) {
	if k.Report != nil {
		k.Report(scratch, err)
	}
}

// Trial is a container that is to be tried.
type Trial struct {
	Launch *engine.Launch
	Mounts []engine.TrialMount
	Watch  watch.Options
}

// Try makes the nth container of a place, starts it, watches it and removes it. left are the flags of its launch that it
// did without. An error says that it could not be tried.
func (p *Place) Try(ctx context.Context, n int, t Trial) (v *watch.Verdict, left []string, err error) {
	words, left := t.Launch.Trial(p.container(n), t.Mounts, label+"="+p.Token)
	p.making(time.Now())
	id, err := p.engine.Create(ctx, words)
	p.making(never)
	if err != nil {
		return nil, left, fmt.Errorf("making a container to be thrown away: %w", err)
	}
	if v, err = p.start(ctx, id); v == nil && err == nil {
		v, err = watch.Container(ctx, p.engine, id, t.Watch)
	}
	if err != nil {
		return nil, left, err
	}
	_, err = p.discard(context.WithoutCancel(ctx), p.engine, n)
	return v, left, err
}

// start starts a container. A verdict is there already where that fails by the container and not by the engine, which
// answers yet.
func (p *Place) start(ctx context.Context, id string) (*watch.Verdict, error) {
	err := p.engine.Start(ctx, id)
	if err == nil || ctx.Err() != nil {
		return nil, err
	}
	if c, asked := p.engine.Inspect(ctx, id); asked != nil || c.Running {
		return nil, err
	}
	return &watch.Verdict{Why: "it could not be started: " + err.Error()}, nil
}
