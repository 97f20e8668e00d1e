// Package engine asks a container engine about containers, stops and starts
// them, and copies files out of them and in. It runs the engine's program with
// the command words that such programs have in common; nothing is linked in.
package engine

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Default is the program that is run unless another is named.
const Default = "podman"

// ErrNotFound is returned for a container or an image that the engine does not
// have. Compare with errors.Is.
var ErrNotFound = errors.New("not found")

// Runner runs the engine's program.
type Runner interface {
	// Run runs it with args and returns once it has ended and its output has been
	// written. When ctx ends, so does the program.
	Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error
}

// EnvRunner is a Runner that can give the program variables, NAME=VALUE, beside those that it has by itself: others on the
// machine see the words of a command, and not its environment.
type EnvRunner interface {
	Runner
	RunEnv(ctx context.Context, env, args []string, stdin io.Reader, stdout, stderr io.Writer) error
}

// Engine is a container engine. Its methods may be called at the same time.
type Engine struct {
	name string
	run  Runner
	wait time.Duration
}

// Timeout is how long the engine may take to answer, and how long a copy may
// stand still. Stopping may take longer by what the container is given to end.
const Timeout = 2 * time.Minute

// New gives the engine whose program is at a path, or found by its name in PATH.
func New(program string) *Engine { return NewStarted(program, nil) }

// NewWith is New with another way to run the program that is called name.
func NewWith(name string, run Runner) *Engine { return &Engine{name, run, Timeout} }

// Name gives the program's name.
func (e *Engine) Name() string { return e.name }

// Error is a command of the engine that failed.
type Error struct {
	Command string // the whole line, with what looks secret masked, and odd words quoted as Go does
	Stderr  string // what it said, cut at some kilobytes
	Err     error
}

func (e *Error) Error() string {
	text := fmt.Sprintf("container engine: %s: %v", e.Command, e.Err)
	if e.Stderr != "" {
		text += ": " + e.Stderr
	}
	if errors.Is(e.Err, exec.ErrNotFound) {
		text += ": give --engine PROGRAM or set KIST_ENGINE"
	}
	return text
}

func (e *Error) Unwrap() error { return e.Err }

// Bounds of what is kept of the program's output.
const (
	maxOutput = 16 << 20
	maxStderr = 4 << 10
)

// call runs a command that must end in time, and gives its output.
func (e *Engine) call(ctx context.Context, wait time.Duration, args ...string) ([]byte, error) {
	ctx, cancel := context.WithTimeoutCause(ctx, wait, fmt.Errorf("no answer within %s", wait))
	defer cancel()
	out := &bounded{max: maxOutput}
	if err := e.stream(ctx, args, nil, out); err != nil {
		return nil, err
	}
	if out.cut {
		return nil, e.failed(args, "", fmt.Errorf("it printed more than %d bytes", maxOutput))
	}
	return out.kept.Bytes(), nil
}

// stream runs a command, and says what went wrong with it.
func (e *Engine) stream(ctx context.Context, args []string, in io.Reader, out io.Writer) error {
	said := &bounded{max: maxStderr}
	err := e.run.Run(ctx, args, in, out, said)
	if ctx.Err() != nil {
		err = context.Cause(ctx)
	}
	if err == nil {
		return nil
	}
	text := strings.TrimSpace(said.kept.String())
	if isNotFound(text) {
		err = ErrNotFound
	}
	return e.failed(args, text, err)
}

func (e *Engine) failed(args []string, stderr string, err error) error {
	words := append([]string{e.name}, MaskWords(args)...)
	for i, word := range words {
		words[i] = shown(word)
	}
	return &Error{strings.Join(words, " "), stderr, err}
}

// shown gives a name or a word as errors have it: in one line, and told from what is around it.
func shown(word string) string {
	odd := func(r rune) bool {
		return !strconv.IsGraphic(r) || unicode.IsSpace(r) || r == '"' || r == utf8.RuneError
	}
	if word == "" || strings.ContainsFunc(word, odd) {
		return strconv.Quote(word)
	}
	return word
}

// isNotFound tells what engines say of a name they don't know: common practice,
// no source.
func isNotFound(stderr string) bool {
	text := strings.ToLower(stderr)
	for _, said := range []string{"no such container", "no such image", "no such object", "image not known", "no such volume"} {
		if strings.Contains(text, said) {
			return true
		}
	}
	return false
}

// Stop stops a container, which gets the time that it was made with, grace, to
// end by itself.
func (e *Engine) Stop(ctx context.Context, c *Container) error {
	_, err := e.call(ctx, e.wait+c.StopTimeout, "stop", c.ID)
	return err
}

// Start starts a container. That a container runs already is no error.
func (e *Engine) Start(ctx context.Context, id string) error {
	_, err := e.call(ctx, e.wait, "start", id)
	return err
}

// IsRunning tells whether a container runs, or may still write: one that is
// paused does.
func (e *Engine) IsRunning(ctx context.Context, id string) (bool, error) {
	c, err := e.Inspect(ctx, id)
	if err != nil {
		return false, err
	}
	return c.Running, nil
}

// CopyOut gives what is in a folder of a container as a tar stream. The stream
// must be closed. A copy that failed shows as an error of the last read.
func (e *Engine) CopyOut(ctx context.Context, id, path string) io.ReadCloser {
	ctx, cancel := context.WithCancelCause(ctx)
	r, w := io.Pipe()
	done := make(chan struct{})
	go func() {
		defer close(done)
		guard := newWatch(e.wait, cancel)
		defer guard.stop()
		args := []string{"cp", id + ":" + strings.TrimSuffix(path, "/") + "/.", "-"}
		w.CloseWithError(e.stream(ctx, args, nil, guard.writer(w)))
	}()
	return &copying{r, cancel, done}
}

// copying is a tar stream that the engine writes.
type copying struct {
	*io.PipeReader
	cancel context.CancelCauseFunc
	done   <-chan struct{}
}

// Close ends the engine's command.
func (c *copying) Close() error {
	c.cancel(context.Canceled)
	err := c.PipeReader.Close()
	<-c.done
	return err
}

// CopyIn unpacks a tar stream into a folder of a container. What is there and
// not in the stream stays.
func (e *Engine) CopyIn(ctx context.Context, id, path string, r io.Reader) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	guard := newWatch(e.wait, cancel)
	defer guard.stop()
	return e.stream(ctx, []string{"cp", "-", id + ":" + path}, guard.reader(r), io.Discard)
}

// bounded keeps the first bytes that are written to it.
type bounded struct {
	kept bytes.Buffer
	max  int
	cut  bool
}

func (b *bounded) Write(p []byte) (int, error) {
	keep := min(len(p), b.max-b.kept.Len())
	b.cut = b.cut || keep < len(p)
	b.kept.Write(p[:keep])
	return len(p), nil
}

// watch ends a copy when the engine does nothing for too long. The time that
// the other side takes does not count.
type watch struct {
	wait  time.Duration
	timer *time.Timer
}

func newWatch(wait time.Duration, cancel context.CancelCauseFunc) *watch {
	return &watch{wait, time.AfterFunc(wait, func() {
		cancel(fmt.Errorf("the copy stood still for %s", wait))
	})}
}

func (w *watch) stop() { w.timer.Stop() }

func (w *watch) during(do func([]byte) (int, error), p []byte) (int, error) {
	w.timer.Stop()
	defer w.timer.Reset(w.wait)
	return do(p)
}

func (w *watch) writer(out io.Writer) io.Writer {
	return writerFunc(func(p []byte) (int, error) { return w.during(out.Write, p) })
}

func (w *watch) reader(in io.Reader) io.Reader {
	return readerFunc(func(p []byte) (int, error) { return w.during(in.Read, p) })
}

type (
	writerFunc func([]byte) (int, error)
	readerFunc func([]byte) (int, error)
)

func (f writerFunc) Write(p []byte) (int, error) { return f(p) }
func (f readerFunc) Read(p []byte) (int, error)  { return f(p) }
