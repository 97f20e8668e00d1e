// Command kist keeps dated captures of a service's data volumes in a repository.
package main

import (
	"os"
	"runtime/debug"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/programs"
	"github.com/kistarchive/kist/cmd/kist/internal/worker"
)

func main() { os.Exit(runProgram(func(*app) {})) }

// runProgram runs the program as this process was asked to, and gives its exit status. prepare may change what it has
// of the world outside.
func runProgram(prepare func(*app)) int {
	// Memory is what a small machine lacks, and collecting it costs little here:
	// buffers are used again, and have no pointers.
	debug.SetGCPercent(40)
	a := newApp(os.Stdin, os.Stdout, os.Stderr, os.Getenv)
	work, works := worker.Mine()
	if works {
		ctx, stop := work.Interruptible()
		defer stop()
		a.engine = func(program string) *engine.Engine { return engine.NewStarted(program, work.Start) }
		prepare(a)
		status := a.run(programs.StartedBy(ctx, work.Start), os.Args[1:])
		work.Done(status)
		return status
	}
	if worker.Supported() {
		a.work = worker.Run
	}
	prepare(a)
	ctx, second, stop := interruptible(os.Stderr, asksForJSON(os.Args[1:]), leftBy(os.Args[1:]))
	defer stop()
	a.second = second
	return a.run(ctx, os.Args[1:])
}
