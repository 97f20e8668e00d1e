// Command kist keeps dated captures of a service's data volumes in a repository.
package main

import "os"

func main() {
	ctx, stop := interruptible(os.Stderr)
	status := newApp(os.Stdin, os.Stdout, os.Stderr, os.Getenv).run(ctx, os.Args[1:])
	stop()
	os.Exit(status)
}
