package main

import (
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
)

// checkNoUpgrade fails where an upgrade that is not at its end is of one of some containers, or has volumes in one of some
// places, above or below it: what it would go back to, or what it watches, must stay as it is.
func (a *app) checkNoUpgrade(targets []*containers.Container, places []string) error {
	open, err := a.upgrader(nil).Opened()
	if _, ok := errors.AsType[*upgrade.UnreadError](err); err != nil && !ok { // which is told before each command
		return err
	}
	for _, u := range open {
		if !u.Binds() {
			continue
		}
		for _, c := range targets {
			if u.IsOf(c.ID) || u.Up == "" && u.Engine == c.Engine.Name() && u.Container == c.Name {
				return underUpgrade(&u.Record, "container "+c.Name)
			}
			for _, m := range c.Mounts {
				if m.RW && isUnder(&u.Record, m) {
					return underUpgrade(&u.Record, fmt.Sprintf("%s of container %s", screen.Line(m.Destination), screen.Line(c.Name)))
				}
			}
		}
		for _, place := range places {
			if isUnder(&u.Record, engine.Mount{Source: place}) {
				return underUpgrade(&u.Record, place)
			}
		}
	}
	return nil
}

// upgradeOf is checkNoUpgrade of what is held still, or about to be. begun says that the upgrade stops and starts it by now.
func (a *app) upgradeOf(h stopped.Held) (begun bool, err error) {
	open, err := a.upgrader(nil).Opened()
	if _, ok := errors.AsType[*upgrade.UnreadError](err); err != nil && !ok {
		return false, err
	}
	for _, u := range open {
		named := u.IsOf(h.ID) || u.Up == "" && h.ID != "" && u.Engine == h.Engine && u.Container == h.Container
		if u.Binds() && (named || isUnderAny(&u.Record, h.Folders)) {
			return u.Step != upgrade.Making && u.Step != upgrade.Looking, underUpgrade(&u.Record, h.What)
		}
	}
	return false, nil
}

// checkNotHeld fails where a run of kist holds still what an upgrade is of, or writes where that has a volume: what it lets go would
// run in the middle of the upgrade.
func (a *app) checkNotHeld(r *upgrade.Record) error {
	held, err := a.keeper().Held()
	if err != nil {
		return err
	}
	for _, h := range held {
		if h.ID != "" && r.IsOf(h.ID) || isUnderAny(r, h.Folders) {
			return fmt.Errorf("%s is held still by a run of kist that is at work, or did not come to its end: nothing was done. Wait until it has; kist resume ends what was left, and kist status tells of it", h.What)
		}
	}
	return nil
}

func isUnderAny(u *upgrade.Record, folders []string) bool {
	return slices.ContainsFunc(folders, func(folder string) bool { return isUnder(u, engine.Mount{Source: folder}) })
}

// isUnder tells whether an upgrade has a volume where a mount is, above or below it.
func isUnder(u *upgrade.Record, m engine.Mount) bool {
	if m.Source == "" {
		return false
	}
	at := paths.ResolvePlace(m.Source)
	for _, place := range u.Places {
		if paths.Overlap(paths.ResolvePlace(place), at) {
			return true
		}
	}
	return false
}

func underUpgrade(u *upgrade.Record, what string) error {
	return fmt.Errorf("%s is part of an upgrade of %s to %s, which began at %s and is not at its end: nothing was done. Wait until it is; kist resume ends one that was killed or waits for somebody",
		screen.Line(what), screen.Line(u.Container), screen.Line(u.Image), screen.LocalTime(u.Began))
}
