package main

import (
	"context"
	"errors"
	"maps"
	"slices"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
)

// reportUpgrade prints what came of it.
func (a *app) reportUpgrade(o *upgrade.Outcome, err error) error {
	if o == nil {
		return err
	}
	if a.JSON {
		return errors.Join(a.PrintJSON(o), err)
	}
	if err != nil {
		return err
	}
	name, runs := screen.Printable(o.Container), screen.Printable(o.Runs)
	switch o.Outcome {
	case upgrade.RunsIt:
		a.Tell("%s runs %s already.\n", name, runs)
		return nil
	case upgrade.Undone:
		a.Tell("%s runs %s again, on the data of capture %s.\n", name, runs, o.Capture)
		for _, place := range slices.Sorted(maps.Keys(o.Kept)) {
			a.Tell("What was in %s is kept as %s.\n", screen.Printable(place), screen.Printable(o.Kept[place]))
		}
		if o.SetAside != "" {
			a.Tell("The newer container is kept as %s, until kist kept --remove %[1]s: do not start it on these volumes, it has the live data.\n", screen.Printable(o.SetAside))
		}
		return nil
	}
	if o.SetAside == "" {
		a.Tell("%s runs %s. To go back, on the data of capture %s: kist upgrade --name %s --undo\n", name, runs, o.Capture, name)
		return nil
	}
	a.Tell("%s runs %s. To go back: kist upgrade --container %s --undo\n", name, runs, name)
	a.Tell("The old container is kept as %s, its data as capture %s. Do not start it on these volumes: it has the live data.\n", screen.Printable(o.SetAside), o.Capture)
	a.Tell("Once you need not go back: kist kept --remove %s --accept-no-undo\n", screen.Printable(o.SetAside))
	return nil
}

// planUpgrade shows what would be done.
func (a *app) planUpgrade(ctx context.Context, q *upgrade.Request, s *capturing) error {
	d := &upgradeData{app: a, s: s}
	if err := d.checkRoom(ctx); err != nil {
		return err
	}
	plan, err := q.Plan(ctx, time.Now())
	if err != nil {
		return err
	}
	a.Say("Whether all of the container can be made again shows once the new one is made, before anything is stopped.")
	return a.printPlan(plan)
}

// printPlan prints steps, with what looks secret in commands masked.
func (a *app) printPlan(plan []upgrade.Planned) error {
	for i := range plan {
		plan[i].Command = engine.MaskWords(plan[i].Command)
	}
	if a.JSON {
		array := screen.NewArray(a.Out)
		for _, p := range plan {
			if err := array.Add(p); err != nil {
				return err
			}
		}
		return array.End()
	}
	for _, p := range plan {
		a.Printf("%-9s %s\n", p.Step, screen.Printable(p.What))
		if len(p.Command) > 0 {
			a.Printf("          %s\n", shellLine(p.Command))
		}
	}
	a.Say("Nothing was done.")
	return nil
}
