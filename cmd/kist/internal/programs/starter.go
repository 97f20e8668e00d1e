package programs

import (
	"context"
	"os/exec"
)

// Starter starts a program as cmd says, sets cmd.Process, and gives what waits for its end as cmd.Wait does. An error of a
// program that did not end well has a method ExitCode, as exec.ExitError has.
type Starter func(cmd *exec.Cmd) (wait func() error, err error)

type starterKey struct{}

// StartedBy has all commands that are run with the context started by another than this process.
func StartedBy(ctx context.Context, start Starter) context.Context {
	return context.WithValue(ctx, starterKey{}, start)
}

// starterOf gives who starts commands.
func starterOf(ctx context.Context) Starter {
	if start, ok := ctx.Value(starterKey{}).(Starter); ok {
		return start
	}
	return func(cmd *exec.Cmd) (func() error, error) { return cmd.Wait, cmd.Start() }
}
