package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// interruptible gives a context that ends with the first interrupt, or when
// the terminal goes away. A second
// one ends the process at once, as the system does by default.
func interruptible(stderr io.Writer) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(context.Background())
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	if !signal.Ignored(syscall.SIGHUP) { // as under nohup
		signal.Notify(signals, syscall.SIGHUP)
	}
	go func() {
		select {
		case <-signals:
			signal.Stop(signals)
			fmt.Fprintln(stderr, "\nStopping, and tidying up. Interrupt again to end at once.")
			cancel()
		case <-ctx.Done():
		}
	}()
	return ctx, cancel
}
