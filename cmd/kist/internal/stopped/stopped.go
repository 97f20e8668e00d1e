package stopped

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"slices"
	"syscall"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// Halted is a container that is stopped for a while.
type Halted struct {
	keeper *Keeper
	target Target
	note   *note
	began  time.Time
	broken chan os.Signal
}

// DownError says that a container is down that was not before.
type DownError struct{ error }

// Unwrap gives the cause.
func (e *DownError) Unwrap() error { return e.error }

// Halt stops a container. Whoever gets a Halted one must resume it, whatever
// happens; a note on disk lets the next run of kist do it if this one is
// killed.
func (k *Keeper) Halt(ctx context.Context, c Target) (*Halted, error) {
	return k.halt(ctx, c, newNote(c))
}

// HaltToRestore stops a container, or sees that it stands, before folders of it are restored, and mounts, by their paths in it. The note only says so where this run
// is killed: half of the data may be new. It gives nil for one that stands, and of which an earlier restore left such a note.
func (k *Keeper) HaltToRestore(ctx context.Context, c Target, folders, mounts []string) (*Halted, error) {
	n := newNote(c)
	n.Restoring, n.Places, n.Mounts = true, folders, mounts
	if c.Running {
		return k.halt(ctx, c, n)
	}
	if err := c.MustStand(ctx, "it was started meanwhile, and nothing was restored"); err != nil {
		return nil, err
	}
	if err := c.checkName(ctx); err != nil {
		return nil, err
	}
	half, err := k.HalfRestored()
	if err == nil {
		_, err = k.upgrading(n)
	}
	if err != nil || slices.ContainsFunc(half, func(h Half) bool { return h.ID == c.ID }) {
		return nil, err
	}
	n.Stood = true
	written, err := k.claim(n)
	if err != nil {
		return nil, err
	}
	return &Halted{keeper: k, target: c, note: written, began: time.Now(), broken: make(chan os.Signal, 1)}, nil
}

func (k *Keeper) halt(ctx context.Context, c Target, n *note) (*Halted, error) {
	written, err := k.claim(n)
	if err != nil {
		return nil, err
	}
	if err := c.checkName(ctx); err != nil {
		return nil, errors.Join(err, written.remove())
	}
	h := &Halted{keeper: k, target: c, note: written, began: time.Now(), broken: make(chan os.Signal, 1)}
	// A pipe that nobody reads any more must not end the process now.
	signal.Notify(h.broken, syscall.SIGPIPE)
	k.Screen.Say("Stopping container %s.", screen.Printable(c.Name))
	// A stop that is cut short leaves a container that neither runs nor starts.
	err = c.Engine.Stop(context.WithoutCancel(ctx), c.Container)
	if err == nil {
		err = c.MustStand(ctx, "it runs again right after it was stopped")
	}
	if err != nil {
		return nil, errors.Join(err, h.Resume(ctx))
	}
	return h, nil
}

// Resume starts the container, even after an interrupt, if it ran before, but not beside what took its place meanwhile.
func (h *Halted) Resume(ctx context.Context) error {
	defer signal.Stop(h.broken)
	c := h.target
	if h.note.Stood {
		return h.note.remove()
	}
	ctx = context.WithoutCancel(ctx)
	if _, err := h.keeper.checkStart(ctx, c.Engine, h.note); err != nil {
		return errors.Join(err, h.note.remove())
	}
	if err := c.Engine.Start(ctx, c.ID); err != nil {
		return &DownError{fmt.Errorf("CONTAINER %s IS STOPPED and could not be started again (%s start %s does it): %w",
			screen.Line(c.Name), c.Engine.Name(), screen.Line(c.Name), errors.Join(err, h.note.release()))}
	}
	h.keeper.Screen.Say("Container %s was down for %.1f s.", screen.Printable(c.Name), time.Since(h.began).Seconds())
	return h.note.remove()
}

// Leave leaves the container stopped.
func (h *Halted) Leave() error {
	signal.Stop(h.broken)
	err := fmt.Errorf("CONTAINER %s IS LEFT STOPPED, since what it would start on is part new, part old. Restore again, or put back what was kept",
		screen.Line(h.target.Name))
	return &DownError{errors.Join(err, h.note.release())}
}

// While does something while a container is stopped.
func (k *Keeper) While(ctx context.Context, c Target, do func(context.Context) error) (err error) {
	h, err := k.Halt(ctx, c)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.Resume(ctx)) }()
	return do(ctx)
}

// WhileAll does something while all of some containers are stopped: in that order, and
// started again in the reverse.
func (k *Keeper) WhileAll(ctx context.Context, all []Target, do func(context.Context) error) error {
	if len(all) == 0 {
		return do(ctx)
	}
	return k.While(ctx, all[0], func(ctx context.Context) error { return k.WhileAll(ctx, all[1:], do) })
}

// StartedMeanwhile is what MustStand says once a capture has read all.
const StartedMeanwhile = "it was started meanwhile, so the data may be of no single moment"

// MustStand sees that nothing else, such as a service manager, or the engine by a restart policy, started the
// container.
func (c Target) MustStand(ctx context.Context, text string) error {
	now, err := c.Engine.Inspect(ctx, c.ID)
	if err != nil || !now.Running {
		return err
	}
	if policy := now.RestartPolicy(); policy != "no" && now.State.Restarts > 0 {
		return fmt.Errorf("container %s: %s. It does not stay up, and the engine starts it again and again by its restart policy %s: see why it ends first", screen.Line(c.Name), text, screen.Line(policy))
	}
	return fmt.Errorf("container %s: %s. Does a service manager start it? Let that stop it, and run kist without --stop", screen.Line(c.Name), text)
}
