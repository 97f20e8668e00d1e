package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// halted is a container that is stopped for a while.
type halted struct {
	app    *app
	target *container
	note   *stopNote
	began  time.Time
	broken chan os.Signal
}

// downError says that a container is down that was not before.
type downError struct{ error }

func (e *downError) Unwrap() error { return e.error }

// halt stops a container. Whoever gets a halted one must resume it, whatever
// happens; a note on disk lets the next run of kist do it if this one is
// killed. For a restore it only says so then: half of the data may be new.
func (a *app) halt(ctx context.Context, c *container, forRestore bool) (*halted, error) {
	note, err := a.noteStopped(c, forRestore)
	if err != nil {
		return nil, err
	}
	h := &halted{app: a, target: c, note: note, began: time.Now(), broken: make(chan os.Signal, 1)}
	// A pipe that nobody reads any more must not end the process now.
	signal.Notify(h.broken, syscall.SIGPIPE)
	a.Say("Stopping container %s.", screen.Printable(c.Name))
	// A stop that is cut short leaves a container that neither runs nor starts.
	err = c.engine.Stop(context.WithoutCancel(ctx), c.Container)
	if err == nil {
		err = c.mustStand(ctx, "it runs again right after it was stopped")
	}
	if err != nil {
		return nil, errors.Join(err, h.resume(ctx))
	}
	return h, nil
}

// resume starts the container, even after an interrupt.
func (h *halted) resume(ctx context.Context) error {
	defer signal.Stop(h.broken)
	c := h.target
	if err := c.engine.Start(context.WithoutCancel(ctx), c.ID); err != nil {
		return &downError{fmt.Errorf("CONTAINER %s IS STOPPED and could not be started again (%s start %s does it): %w",
			c.Name, c.engine.Name(), c.Name, errors.Join(err, h.note.release()))}
	}
	h.app.Say("Container %s was down for %.1f s.", screen.Printable(c.Name), time.Since(h.began).Seconds())
	return h.note.remove()
}

// leave leaves the container stopped.
func (h *halted) leave() error {
	signal.Stop(h.broken)
	err := fmt.Errorf("CONTAINER %s IS LEFT STOPPED, since what it would start on is part new, part old. Restore again, or put back what was kept",
		h.target.Name)
	return &downError{errors.Join(err, h.note.release())}
}

// whileStopped does something while a container is stopped.
func (a *app) whileStopped(ctx context.Context, c *container, do func(context.Context) error) (err error) {
	h, err := a.halt(ctx, c, false)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.resume(ctx)) }()
	if err := do(ctx); err != nil {
		return err
	}
	return c.mustStand(ctx, startedMeanwhile)
}

const startedMeanwhile = "it was started meanwhile, so the data may be of no single moment"

// mustStand sees that nothing else, such as a service manager, started the
// container.
func (c *container) mustStand(ctx context.Context, text string) error {
	running, err := c.engine.IsRunning(ctx, c.ID)
	if err == nil && running {
		err = fmt.Errorf("container %s: %s. Does a service manager start it? Let that stop it, and run kist without --stop", c.Name, text)
	}
	return err
}
