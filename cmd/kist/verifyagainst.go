package main

import (
	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// verifyAgainst compares the repository with another place of it.
func (a *app) verifyAgainst(c *cli.Context, r *repository, path string) error {
	if r.isAt(path) {
		return usagef("verify: --against %s is the repository itself", path)
	}
	other, err := a.openOther(c, path, r.secret)
	if err != nil {
		return err
	}
	defer other.Close()
	progress, end := a.progress("comparing")
	out, err := r.VerifyAgainst(c.Context, other.Repository, store.AgainstOptions{Full: c.Bool("full"), Progress: progress})
	end()
	if err != nil {
		return namingOther(err, other)
	}
	if a.JSON {
		err = a.PrintJSON(out)
	} else {
		a.printAgainst(out, path, c.Bool("full"))
	}
	if err == nil && !out.Same() {
		err = &statusError{status: statusDamage}
	}
	return err
}

func (a *app) printAgainst(out *store.Against, path string, full bool) {
	other := screen.Printable(path)
	for _, id := range out.Here {
		a.Tell("Only here: capture %s.\n", id)
	}
	for _, id := range out.There {
		a.Tell("Only in %s: capture %s.\n", other, id)
	}
	for _, id := range out.Differ {
		a.Printf("Not the same: capture %s has another hash in %s.\n", id, other)
	}
	for _, u := range out.Unlike {
		if u.Here != "" {
			a.Printf("Damaged here: %s: %s.\n", screen.Printable(u.Object), screen.Line(u.Here))
		}
		if u.There != "" {
			a.Printf("Damaged in %s: %s: %s.\n", other, screen.Printable(u.Object), screen.Line(u.There))
		}
	}
	how := ", as far as their lengths and tables tell: --full opens what they hold"
	if full {
		how = ", all that they hold was opened"
	}
	a.Tell("%s in both; of %s in both %s not the same or damaged%s.\n", screen.Count(out.Both, "capture is", "captures are"),
		screen.Count(out.Slabs, "slab", "slabs"), screen.Count(len(out.Unlike), "object is", "objects are"), how)
}
