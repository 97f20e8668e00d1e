package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// interruptible gives a context that ends with the first interrupt, or when
// the terminal goes away. A second
// one ends the process at once, as the system does by default; a third one also where that can't be said.
func interruptible(stderr io.Writer, asJSON bool) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(context.Background())
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	if !signal.Ignored(syscall.SIGHUP) { // as under nohup
		signal.Notify(signals, syscall.SIGHUP)
	}
	go func() {
		select {
		case <-signals:
			s := screen.New(io.Discard, stderr)
			if s.JSON = asJSON; asJSON {
				s.Warn("stopping, and tidying up")
			} else {
				s.Say("\nStopping, and tidying up. Interrupt again to end at once: what is left then, kist resume brings to its end.")
			}
			cancel()
			by := <-signals
			signal.Stop(signals)
			signal.Reset(by)
			s.Warn("ended at once: kist resume brings to its end what is left, and starts what was stopped.")
			endBy(by)
		case <-ctx.Done():
		}
	}()
	return ctx, cancel
}

// endBy ends this process as a signal does by default.
func endBy(by os.Signal) {
	p, err := os.FindProcess(os.Getpid())
	if err != nil || p.Signal(by) != nil { // as where the system has no signals
		os.Exit(statusFailed)
	}
}
