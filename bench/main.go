package main

import (
	"context"
	_ "embed"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
)

//go:embed help.txt
var help string

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	status := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(status)
}

// errUsage is returned for wrong usage that has been explained already.
var errUsage = errors.New("wrong usage")

// run gives the exit status: 0 done, 1 failed, 2 wrong usage.
func run(ctx context.Context, args []string, out, log io.Writer) int {
	err := dispatch(ctx, args, out, log)
	switch {
	case err == nil || errors.Is(err, flag.ErrHelp):
		return 0
	case errors.Is(err, errUsage):
		return 2
	}
	fmt.Fprintln(log, "bench:", err)
	return 1
}

func dispatch(ctx context.Context, args []string, out, log io.Writer) error {
	if len(args) == 0 {
		fmt.Fprint(log, help)
		return errUsage
	}
	s := newSetup(args[0], out, log)
	switch name, args := args[0], args[1:]; name {
	case "releases":
		return runReleases(ctx, s, args)
	case "touched":
		return runTouched(ctx, s, args)
	case "database":
		return runDatabase(ctx, s, args)
	case "speed":
		return runSpeed(ctx, s, args)
	case "tree":
		return runTree(ctx, s, args)
	case "growth":
		return runGrowth(ctx, s, args)
	case "objects":
		return runObjects(ctx, s, args)
	case "model":
		return runModel(ctx, s, args)
	case childCommand:
		return runChild(ctx, s, args)
	case "help", "-h", "-help", "--help":
		_, err := io.WriteString(out, help)
		return err
	default:
		fmt.Fprintf(log, "bench: no measurement named %q\n\n%s", name, help)
		return errUsage
	}
}
