package programs

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"
)

// short has what does not end by itself killed soon.
func short(t *testing.T) {
	was := outlive
	outlive = 100 * time.Millisecond
	t.Cleanup(func() { outlive = was })
}

// TestIgnoringLine kills what ignores that it is told to end, and what that started.
func TestIgnoringLine(t *testing.T) {
	short(t)
	for name, run := range map[string]func(ctx context.Context, said io.Writer) error{
		"a line": func(ctx context.Context, said io.Writer) error {
			return Line{Text: "trap '' TERM; sleep 300 & echo begun; sleep 300; sleep 300", Said: said}.Run(ctx)
		},
		"one that leaves something": func(ctx context.Context, said io.Writer) error {
			return Line{Text: "trap '' TERM; sleep 300 & echo begun; sleep 300; sleep 300", Said: said, Leaves: true}.Run(ctx)
		},
		"a program": func(ctx context.Context, said io.Writer) error {
			out := Output(ctx, []string{"sh", "-c", "trap '' TERM; sleep 300 & echo begun >&2; sleep 300; sleep 300"}, said)
			_, err := io.Copy(io.Discard, out)
			return errors.Join(err, out.Close())
		},
	} {
		t.Run(name, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			begun := writerFunc(func(p []byte) (int, error) { cancel(); return len(p), nil })
			if err := run(ctx, begun); !errors.Is(err, context.Canceled) {
				t.Error(err)
			}
		})
	}
}

// TestEndLeft ends what a command of a process that is gone goes on doing, by the variable that it was given, and nothing
// else: not what has another one, nor what made itself a session of its own.
func TestEndLeft(t *testing.T) {
	short(t)
	start := func(variable, text string, session bool) *exec.Cmd {
		t.Helper()
		cmd := exec.Command("sh", "-c", text)
		cmd.Env = append(cmd.Environ(), variable)
		cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: !session, Setsid: session}
		out, err := cmd.StdoutPipe()
		if err == nil {
			err = cmd.Start()
		}
		if err != nil {
			t.Fatal(err)
		}
		if _, err := out.Read(make([]byte, 1)); err != nil { // it has begun
			t.Fatal(err)
		}
		return cmd
	}
	const own, other = "KIST_STEP=abc", "KIST_STEP=abcd"
	willing := start(own, "echo b; sleep 300; true", false)
	deaf := start(own, "trap '' TERM; echo b; sleep 300; sleep 300", false)
	spared := []*exec.Cmd{start(other, "echo b; sleep 300; true", false), start(own, "echo b; sleep 300; true", true)}
	ended := make(chan error, 2)
	for _, cmd := range []*exec.Cmd{willing, deaf} {
		go func() { ended <- cmd.Wait() }()
	}
	if err := EndLeft(t.Context(), own, Session()); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := <-ended; err == nil {
			t.Error("it was not ended")
		}
	}
	for _, cmd := range spared {
		if err := syscall.Kill(cmd.Process.Pid, 0); err != nil {
			t.Errorf("%q was ended: %v", cmd.Env[len(cmd.Env)-1], err)
		}
		syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
		cmd.Wait()
	}
}

// TestLeaves: a service that a line starts goes on, and holds its output open without being waited for.
func TestLeaves(t *testing.T) {
	var said bytes.Buffer
	if err := (Line{Text: "sleep 60 & echo $! $NAME", Env: []string{"NAME=seedbank"}, Said: &said, Leaves: true}).Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	pid, name, _ := strings.Cut(strings.TrimSpace(said.String()), " ")
	if name != "seedbank" {
		t.Errorf("%q", said.String())
	}
	if err := exec.Command("kill", pid).Run(); err != nil {
		t.Errorf("it does not go on: %v", err)
	}
}

// TestOutputFails: what a program printed before it failed does not end well, and names the program alone.
func TestOutputFails(t *testing.T) {
	out := Output(t.Context(), []string{"sh", "-c", "echo half; exit 3 # hush"}, io.Discard)
	b, err := io.ReadAll(out)
	if string(b) != "half\n" || err == nil || strings.Contains(err.Error(), "hush") || !strings.Contains(err.Error(), "what it printed is not captured") {
		t.Errorf("%q, %v", b, err)
	}
	if err := out.Close(); err != nil {
		t.Error(err)
	}
}
