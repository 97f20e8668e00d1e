package engine

import (
	"context"
	"io"
	"os"
	"os/exec"
	"time"
)

// processes runs a program of this machine.
type processes struct {
	program string
	start   Starter // nil: this process starts it
}

// Starter starts a program as cmd says, sets cmd.Process, and gives what waits for its end as cmd.Wait does.
type Starter func(cmd *exec.Cmd) (wait func() error, err error)

// NewStarted is New with another process that starts the program.
func NewStarted(program string, start Starter) *Engine {
	return NewWith(program, processes{program, start})
}

// Run implements Runner. The program is apart from the terminal's interrupts:
// one that is stopping a container must not be cut short by them.
func (p processes) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	return p.RunEnv(ctx, nil, args, stdin, stdout, stderr)
}

// RunEnv implements EnvRunner.
func (p processes) RunEnv(ctx context.Context, env, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	cmd := exec.CommandContext(ctx, p.program, args...)
	if len(env) > 0 {
		cmd.Env = append(os.Environ(), env...)
	}
	cmd.Stdin, cmd.Stdout, cmd.Stderr = stdin, stdout, stderr
	cmd.WaitDelay = 10 * time.Second
	setApart(cmd)
	if p.start == nil {
		return cmd.Run()
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	wait, err := p.start(cmd)
	if err != nil {
		return err
	}
	defer context.AfterFunc(ctx, func() { cmd.Process.Kill() })()
	return wait()
}
