package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"
)

// whileStopped stops a container, does something, and starts it again whatever
// happens: errors, panics, interrupts. A note on disk lets the next run of kist
// do it if this one is killed. It gives for how long the container was down.
func (a *app) whileStopped(ctx context.Context, c *container, do func(context.Context) error) (down time.Duration, err error) {
	note, err := a.noteStopped(c)
	if err != nil {
		return 0, err
	}
	// A terminal or a pipe that goes away must not end the process now.
	broken := make(chan os.Signal, 1)
	signal.Notify(broken, syscall.SIGPIPE)
	defer signal.Stop(broken)
	began := time.Now()
	defer func() {
		err = errors.Join(err, a.startAgain(ctx, c, note))
		down = time.Since(began)
	}()
	a.say("Stopping container %s …", printable(c.Name))
	if err := c.engine.Stop(ctx, c.Container); err != nil {
		return 0, err
	}
	if err := c.mustStand(ctx, "it runs again right after it was stopped"); err != nil {
		return 0, err
	}
	if err := do(ctx); err != nil {
		return 0, err
	}
	return 0, c.mustStand(ctx, startedMeanwhile)
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

// startAgain starts the container, even after an interrupt.
func (a *app) startAgain(ctx context.Context, c *container, note *stopNote) error {
	if err := c.engine.Start(context.WithoutCancel(ctx), c.ID); err != nil {
		return fmt.Errorf("CONTAINER %s IS STOPPED and could not be started again (%s start %s does it): %w",
			c.Name, c.engine.Name(), c.Name, errors.Join(err, note.release()))
	}
	return note.remove()
}
