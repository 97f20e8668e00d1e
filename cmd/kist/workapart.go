package main

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/worker"
)

// working does what a command line asks for in a process of its own.
type working func(ctx context.Context, args []string) (worker.Outcome, error)

// otherPlaces are flags that name a second repository.
var otherPlaces = []string{"to", "from", "replica-of", "against"}

// mayHang tells whether a command has to do with a repository on a share, which may let a process hang that nothing ends. To
// tell that nothing but the kernel's table of mounts is asked.
func (a *app) mayHang(line *cmdline.Line) bool {
	if len(line.Words) == 0 || slices.Contains(unconfigured, line.Words[0]) || line.Words[0] == "schedule" {
		return false
	}
	asked := []string{line.Shared("repository"), a.getenv("KIST_REPOSITORY"), a.getenv("KIST_REPLICA")}
	for _, flag := range otherPlaces {
		asked = append(asked, line.Value(flag))
	}
	return slices.ContainsFunc(asked, func(path string) bool { return path != "" && mountOf(path).IsRemote() })
}

// workApart has the command run in a process of its own, which prints for itself. It gives how that ended.
func (a *app) workApart(ctx context.Context, args []string) error {
	came, err := a.work(ctx, args)
	if err != nil {
		return err
	}
	if came.Left > 0 {
		a.Warn("process %d waits in the operating system for the share, and ends when that answers, or is unmounted by force (umount -f).", came.Left)
	}
	if came.Status == statusDone {
		return nil
	}
	return &statusError{status: came.Status}
}
