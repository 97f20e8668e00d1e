package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"
)

// command is a program to run.
type command struct {
	args []string
	dir  string
	in   io.Reader
	out  io.Writer            // nil: thrown away
	user *syscall.SysProcAttr // that runs it; nil: ours
}

// usage is what programs took.
type usage struct {
	time time.Duration
	cpu  time.Duration // of all cores and programs together
	peak int64         // bytes of memory of the largest; 0 where the system does not tell
}

// runCommand runs a program to its end. Where it fails, the error has the end of
// what it said on standard error.
func runCommand(ctx context.Context, c command) (usage, error) { return runPipeline(ctx, c) }

// runPipeline runs programs of which each reads what the one before it writes.
func runPipeline(ctx context.Context, commands ...command) (usage, error) {
	ctx, cancel := context.WithCancel(ctx) // no program waits for one that failed
	defer cancel()
	var started []*process
	var ends []io.Closer
	var failed error
	begin := time.Now()
	for i, c := range commands {
		if i+1 < len(commands) {
			r, w, err := os.Pipe()
			if err != nil {
				failed = err
				break
			}
			c.out, commands[i+1].in = w, r
			ends = append(ends, r, w)
		}
		p, err := start(ctx, c)
		if err != nil {
			failed = err
			break
		}
		started = append(started, p)
	}
	for _, e := range ends { // the programs have them
		e.Close()
	}
	if failed != nil {
		cancel()
	}
	var u usage
	for _, p := range started {
		failed = errors.Join(failed, p.wait())
		u.cpu += p.cmd.ProcessState.UserTime() + p.cmd.ProcessState.SystemTime()
		u.peak = max(u.peak, peakMemory(p.cmd.ProcessState))
	}
	u.time = time.Since(begin)
	return u, failed
}

// process is a program that runs.
type process struct {
	cmd  *exec.Cmd
	said tail
}

func newProcess(ctx context.Context, c command) *process {
	p := &process{cmd: exec.CommandContext(ctx, c.args[0], c.args[1:]...)}
	p.cmd.SysProcAttr = c.user
	p.cmd.Dir, p.cmd.Stdin, p.cmd.Stdout, p.cmd.Stderr = c.dir, c.in, c.out, &p.said
	return p
}

func start(ctx context.Context, c command) (*process, error) {
	p := newProcess(ctx, c)
	if err := p.cmd.Start(); err != nil {
		return nil, fmt.Errorf("starting %s: %w", c.args[0], err)
	}
	return p, nil
}

func (p *process) wait() error {
	if err := p.cmd.Wait(); err != nil {
		return fmt.Errorf("%s: %w: %s", strings.Join(p.cmd.Args, " "), err, p.said.text())
	}
	return nil
}

// output runs a program and gives what it writes on standard output.
func output(ctx context.Context, c command) ([]byte, error) {
	var b bytes.Buffer
	c.out = &b
	_, err := runCommand(ctx, c)
	return b.Bytes(), err
}

// tail keeps the end of what is written to it.
type tail struct{ b []byte }

const tailLength = 2 << 10

func (t *tail) Write(p []byte) (int, error) {
	t.b = append(t.b, p...)
	if extra := len(t.b) - tailLength; extra > 0 {
		t.b = append(t.b[:0], t.b[extra:]...)
	}
	return len(p), nil
}

func (t *tail) text() string { return strings.TrimSpace(string(t.b)) }

// counter counts what is written to it.
type counter int64

func (n *counter) Write(p []byte) (int, error) {
	*n += counter(len(p))
	return len(p), nil
}

// zstdLength gives the length of what zstd makes of a stream.
func zstdLength(ctx context.Context, in io.Reader, options ...string) (int64, error) {
	var n counter
	_, err := runCommand(ctx, command{args: append([]string{"zstd", "-q", "-c"}, options...), in: in, out: &n})
	return int64(n), err
}

// zstdFileLength gives the length of a file under zstd -3.
func zstdFileLength(ctx context.Context, path string) (int64, error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	return zstdLength(ctx, f, "-3")
}
