package main

import (
	"errors"
	"fmt"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
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
