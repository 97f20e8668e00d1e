//go:build !linux

package worker

import (
	"context"
	"errors"
	"os/exec"
)

// Supported tells whether work can be done so.
func Supported() bool { return false }

// Outcome is how a worker ended.
type Outcome struct {
	Status int
	Left   int // the worker's process, if that was left behind; 0: it ended
	Forced bool
}

// Run has a worker do what args ask for: here there is none.
func Run(context.Context, <-chan struct{}, []string) (Outcome, error) {
	return Outcome{}, errors.ErrUnsupported
}

// Work is what a worker has of whom it works for.
type Work struct{}

// Mine tells whether this process is a worker: here none is.
func Mine() (*Work, bool) { return nil, false }

// Interruptible gives a context that ends with the first interrupt.
func (w *Work) Interruptible() (context.Context, context.CancelFunc) {
	return context.WithCancel(context.Background())
}

// Done tells the exit status.
func (w *Work) Done(int) {}

// Start starts a program as cmd says, and gives what waits for it.
func (w *Work) Start(cmd *exec.Cmd) (wait func() error, err error) { return cmd.Wait, cmd.Start() }
