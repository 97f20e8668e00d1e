package main

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/cmd/kist/internal/worker"
)

// working does what a command line asks for in a process of its own.
type working func(ctx context.Context, force <-chan struct{}, args []string) (worker.Outcome, error)

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
	return slices.ContainsFunc(asked, func(path string) bool { return path != "" && a.isOnShare(path) })
}

// isOnShare tells that of what names a place.
func (a *app) isOnShare(named string) bool {
	place, err := where.Parse(named, a.getenv)
	return err == nil && place.OnShare()
}

// workApart has the command run in a process of its own, which prints for itself. It gives how that ended.
func (a *app) workApart(ctx context.Context, args []string) error {
	came, err := a.work(ctx, a.second.wait(), args)
	if err != nil {
		return err
	}
	if came.Forced {
		a.startForced()
	}
	if came.Left > 0 {
		a.Warn("process %d waits in the operating system for the share, and ends when that answers, or is unmounted by force (umount -f).", came.Left)
	}
	if came.Forced {
		a.second.end()
	}
	if came.Status == statusDone {
		return nil
	}
	return &statusError{status: came.Status}
}

// startForced starts what a worker left stopped that was to end at once. A further interrupt ends that.
func (a *app) startForced() {
	if a.nothingOpen() {
		a.Warn("ended at once.")
		return
	}
	if err := a.keeper().StartLeft(context.Background()); err != nil {
		a.Warn("%s", screen.Text(err.Error()))
	}
	if !a.nothingOpen() {
		a.Warn("ended at once: kist resume brings to its end what is left.")
		return
	}
	a.Warn("ended at once.")
}
