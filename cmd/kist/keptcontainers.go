package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
)

// keptContainer is a container that an upgrade set aside, as scripts get it.
type keptContainer struct {
	upgrade.SetAside
	Running   bool         `json:"running"`
	NeededFor upgrade.Need `json:"needed_for,omitempty"` // undo, or an upgrade that is not at its end
}

// asideContainers gives the containers that are set aside: of some arguments those that name one, and the other arguments; of
// none all, unless these arguments are folders to look at.
func (a *app) asideContainers(ctx context.Context, args []string, remove bool) (some []upgrade.SetAside, others []string, err error) {
	if len(args) > 0 && (!remove || !slices.ContainsFunc(args, isBare)) {
		return nil, args, nil
	}
	all, err := a.upgrader(nil).SetAside(ctx)
	if err != nil {
		a.Warn("kist kept does not know of all containers: %s", screen.Text(err.Error()))
	}
	if len(args) == 0 {
		return all, nil, nil
	}
	for _, arg := range args {
		at := slices.IndexFunc(all, func(s upgrade.SetAside) bool { return s.Name == arg })
		if at < 0 {
			others = append(others, arg)
			continue
		}
		if _, err := os.Lstat(arg); err == nil {
			return nil, nil, fmt.Errorf("%s is a container that was set aside, and something in this folder: nothing is removed. ./%[1]s is the one here; from another folder %[1]s is the container", screen.Line(arg))
		}
		if !slices.ContainsFunc(some, func(s upgrade.SetAside) bool { return s.Name == arg }) {
			some = append(some, all[at])
		}
	}
	return some, others, nil
}

// isBare tells whether an argument may name a container.
func isBare(arg string) bool { return filepath.Base(arg) == arg }

func containerEntries(some []upgrade.SetAside) (all []keptEntry) {
	for _, s := range some {
		all = append(all, keptEntry{Kind: "container", Made: s.Since, Proved: true, Container: &keptContainer{s, s.Running, s.Needed}})
	}
	return all
}

// removeContainers removes what is not needed. What stays is an error if it was named, and else said.
func (a *app) removeContainers(ctx context.Context, some []upgrade.SetAside, entries []keptEntry, named, accept bool) error {
	var failed []error
	for i := range some {
		name := screen.Printable(screen.ShellQuote(some[i].Name))
		err := a.upgrader(nil).RemoveAside(ctx, &some[i], named && accept)
		entries[i].Removed = err == nil
		stays := errors.Is(err, upgrade.ErrNeededUndo) || errors.Is(err, upgrade.ErrNeededStill) || errors.Is(err, upgrade.ErrRuns)
		switch {
		case errors.Is(err, upgrade.ErrNeededUndo) && named:
			failed = append(failed, fmt.Errorf("%w, and it is not removed. --accept-no-undo removes it: there is no way back then but kist restore", err))
		case errors.Is(err, upgrade.ErrNeededUndo):
			a.Warn("%s It stays; kist kept --remove %s --accept-no-undo removes it: there is no way back then but kist restore.", sentence(err), name)
		case errors.Is(err, engine.ErrNotFound):
			failed = append(failed, missing(err))
		case stays && !named:
			a.Warn("%s It stays.", sentence(err))
		case err != nil:
			failed = append(failed, err)
		}
	}
	return errors.Join(failed...)
}

func (a *app) printContainers(entries []keptEntry, remove bool) error {
	lines := []string{"since\tof\timage\tneeded for\tcontainer"}
	for _, e := range entries {
		if remove && !e.Removed {
			continue
		}
		c := e.Container
		needed := string(c.NeededFor)
		switch {
		case c.Running:
			needed = "it runs"
		case needed == "":
			needed = "-"
		}
		lines = append(lines, fmt.Sprintf("%s\t%s\t%s\t%s\t%s", screen.LocalTime(c.Since), screen.Printable(c.Of), screen.Printable(c.Image), needed, screen.Printable(c.Name)))
	}
	shown := len(lines) - 1
	if shown == 0 {
		return nil
	}
	if err := a.FitTable(lines, "image", "of"); err != nil {
		return err
	}
	if remove {
		a.Say("Removed %s.", screen.Count(shown, "container", "containers"))
	} else {
		a.Say("kist kept --remove CONTAINER has the engine remove one; its volumes stay.")
	}
	return nil
}
