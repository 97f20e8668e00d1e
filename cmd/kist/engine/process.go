package engine

import (
	"context"
	"io"
	"os/exec"
	"time"
)

// processes runs a program of this machine.
type processes struct{ program string }

// Run implements Runner. The program is apart from the terminal's interrupts:
// one that is stopping a container must not be cut short by them.
func (p processes) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	cmd := exec.CommandContext(ctx, p.program, args...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = stdin, stdout, stderr
	cmd.WaitDelay = 10 * time.Second
	setApart(cmd)
	return cmd.Run()
}
