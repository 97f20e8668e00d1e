package programs

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"time"
)

// Line is a command line as the shell sh takes it.
type Line struct {
	Text   string
	Shown  string    // what errors call it; "" means Text, in which secrets may be
	Folder string    // in which it is run; "" means that of this process
	Said   io.Writer // gets both of its outputs
	Falls  bool      // it is ended when this process is killed, where the system can do that
	Env    []string  // variables, NAME=VALUE, beside those of this process
	Leaves bool      // what it started may go on when it has ended, and hold its outputs open
}

// outlive is how long a command may go on after it was told to end.
var outlive = 10 * time.Second

// Run runs the line and returns once it has ended. It reads nothing. When ctx ends, it and
// what it started are told to end, and what does not within 10 s is killed. Interrupts of the terminal do not reach it by themselves.
func (l Line) Run(ctx context.Context) error {
	runtime.LockOSThread() // what falls with this process does so with this thread
	defer runtime.UnlockOSThread()
	cmd := l.command()
	cmd.Stdout, cmd.Stderr = l.Said, l.Said
	if l.Falls {
		fallWithUs(cmd)
	}
	if l.Leaves {
		cmd.WaitDelay = time.Second
	}
	err := run(ctx, cmd)
	if l.Leaves && errors.Is(err, exec.ErrWaitDelay) {
		err = nil
	}
	return failed(ctx, l.shown(), err)
}

// run runs a command, and sees to it that nothing of it goes on once ctx has ended.
func run(ctx context.Context, cmd *exec.Cmd) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	wait, err := starterOf(ctx)(cmd)
	if err != nil {
		return err
	}
	ended, told := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(told)
		select {
		case <-ctx.Done():
			end(cmd)
		case <-ended:
		}
	}()
	err = wait()
	close(ended)
	<-told
	return err
}

// end tells a command and what it started to end, and kills what does not.
func end(cmd *exec.Cmd) {
	tell(cmd, false)
	deadline := time.After(outlive)
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for goesOn(cmd) {
		select {
		case <-deadline:
			tell(cmd, true)
			return
		case <-tick.C:
		}
	}
}

func (l Line) shown() string { return cmp.Or(l.Shown, l.Text) }

func (l Line) command() *exec.Cmd {
	cmd := newCommand("sh", "-c", l.Text) // POSIX.1-2024, sh
	cmd.Dir = l.Folder
	if len(l.Env) > 0 {
		cmd.Env = append(os.Environ(), l.Env...)
	}
	return cmd
}

func newCommand(name string, args ...string) *exec.Cmd {
	cmd := exec.Command(name, args...)
	cmd.WaitDelay = outlive
	setApart(cmd)
	return cmd
}

// maxFirst bounds what FirstLine looks at, in bytes.
const maxFirst = 4 << 10

// FirstLine runs the line and gives the first line of its standard output, without
// spaces around it. That there is none is an error.
func (l Line) FirstLine(ctx context.Context) (string, error) {
	cmd := l.command()
	out := &head{}
	cmd.Stdout, cmd.Stderr = out, l.Said
	if err := failed(ctx, l.shown(), run(ctx, cmd)); err != nil {
		return "", err
	}
	first, _, _ := strings.Cut(strings.TrimSpace(out.kept.String()), "\n")
	if first = strings.TrimSpace(first); first == "" {
		return "", fmt.Errorf("command %.200q printed nothing", l.shown())
	}
	return first, nil
}

// head keeps the first bytes that are written to it.
type head struct{ kept bytes.Buffer }

func (h *head) Write(p []byte) (int, error) {
	h.kept.Write(p[:min(len(p), maxFirst-h.kept.Len())])
	return len(p), nil
}

// failed says which command failed.
func failed(ctx context.Context, text string, err error) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if err != nil {
		return fmt.Errorf("command %.200q: %w", text, err)
	}
	return nil
}

// Output runs a program with arguments and gives its standard output as a stream, which
// must be closed; said gets what it prints to standard error. The stream ends well only
// where the program does: else its last read fails. Closed before its end it
// ends the program, and what that started.
func Output(ctx context.Context, words []string, said io.Writer) io.ReadCloser {
	own, cancel := context.WithCancel(ctx)
	r, w := io.Pipe()
	o := &output{PipeReader: r, cancel: cancel, done: make(chan struct{})}
	cmd := newCommand(words[0], words[1:]...)
	cmd.Stdout, cmd.Stderr = w, said
	go func() {
		defer close(o.done)
		// Arguments may be secrets: only the program is named.
		err := failed(ctx, words[0], run(own, cmd))
		if err != nil && ctx.Err() == nil {
			err = fmt.Errorf("%w: what it printed is not captured", err)
		}
		w.CloseWithError(err)
	}()
	return o
}

// output is what a program prints.
type output struct {
	*io.PipeReader
	cancel context.CancelFunc
	done   chan struct{}
}

// Close ends the program where its output was not read to its end.
func (o *output) Close() error {
	o.cancel()
	o.PipeReader.CloseWithError(errClosed)
	<-o.done
	return nil
}

var errClosed = errors.New("its output is not read any more")
