package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"sync"
	"syscall"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// interruptible gives a context that ends with the first interrupt, or when
// the terminal goes away. A second
// one ends the process at once, as the system does by default, unless somebody waits for it; a third one also where that
// can't be said. left says what is left then; "": nothing is.
func interruptible(stderr io.Writer, asJSON bool, left string) (context.Context, *secondInterrupt, context.CancelFunc) {
	ctx, cancel := context.WithCancel(context.Background())
	second := &secondInterrupt{came: make(chan struct{}), ignored: make(map[os.Signal]bool)}
	for _, by := range []os.Signal{os.Interrupt, syscall.SIGTERM} {
		second.ignored[by] = signal.Ignored(by)
	}
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	if !signal.Ignored(syscall.SIGHUP) { // as under nohup
		signal.Notify(signals, syscall.SIGHUP)
	}
	go func() {
		select {
		case <-signals:
			s := screen.New(io.Discard, stderr)
			if left != "" {
				left = ": " + left
			}
			if s.JSON = asJSON; asJSON {
				s.Warn("stopping, and tidying up")
			} else {
				s.Say("\nStopping, and tidying up. Interrupt again to end at once%s.", left)
			}
			cancel()
			by := <-signals
			signal.Stop(signals)
			signal.Reset(by)
			if !second.is(by) {
				s.Warn("ended at once%s.", left)
				second.end()
			}
		case <-ctx.Done():
		}
	}()
	return ctx, second, cancel
}

// leftBy says what a command line leaves, and what brings that to its end, where it is ended at once.
func leftBy(args []string) string {
	for _, arg := range args {
		switch arg {
		case "capture", "upgrade", "rehearse", "resume":
			return "kist resume brings to its end what is left, and starts what was stopped"
		case "restore":
			return "kist kept lists what is left, and kist resume starts what was stopped"
		case "setup":
			return "what was begun is left, and kist list tells whether it is a repository"
		case "demo":
			return "what it made is left, in the folder for temporary files"
		}
	}
	return ""
}

// secondInterrupt is the one that ends a run at once.
type secondInterrupt struct {
	came    chan struct{}      // closed by it
	ignored map[os.Signal]bool // when this process began, as by a job in the background of a shell's script

	mu     sync.Mutex
	wanted bool
	by     os.Signal
}

// wait has the process go on with it until end, and gives what it closes.
func (s *secondInterrupt) wait() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wanted = true
	return s.came
}

// is notes it, and tells whether it is waited for.
func (s *secondInterrupt) is(by os.Signal) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.by = by
	close(s.came)
	return s.wanted
}

// end ends this process by it, as the system does by default. Where it was ignored before this process began it would be again, so
// that the status alone tells of it, as shells do.
func (s *secondInterrupt) end() {
	if by, ok := s.by.(syscall.Signal); ok && s.ignored[by] {
		os.Exit(128 + int(by))
	}
	p, err := os.FindProcess(os.Getpid())
	if err != nil || p.Signal(s.by) != nil { // as where the system has no signals
		os.Exit(statusFailed)
	}
	select {} // the signal may come to another thread
}
