// Command kist keeps dated captures of a service's data volumes in a repository.
package main

import (
	"os"
	"runtime/debug"
)

func main() {
	// Memory is what a small machine lacks, and collecting it costs little here:
	// buffers are used again, and have no pointers.
	debug.SetGCPercent(40)
	ctx, stop := interruptible(os.Stderr, asksForJSON(os.Args[1:]))
	status := newApp(os.Stdin, os.Stdout, os.Stderr, os.Getenv).run(ctx, os.Args[1:])
	stop()
	os.Exit(status)
}
