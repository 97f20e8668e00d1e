package engine

import (
	"context"
	"io"
	"os"
	"os/exec"
	"time"
)

// processes runs a program of this machine.
type processes struct{ program string }

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
	return cmd.Run()
}
