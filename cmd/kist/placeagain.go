package main

import (
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store"
)

// placeAgain makes a second place again of one that lost the mark of which place it is.
func (a *app) placeAgain(c *cli.Context, place where.Place) error {
	of := c.String("replica-of")
	if of == "" {
		return usagef("setup: --again goes with --replica-of")
	}
	for _, flag := range []string{"chunk-average", "grace", "recheck", "apart", "stored", "parity", "label"} {
		if c.IsSet(flag) {
			return usagef("setup: --%s and --again are both given: what is there keeps its settings", flag)
		}
	}
	if where.Full(of, a.getenv) == place.Full() {
		return usagef("setup: --replica-of %s is the repository itself", of)
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	if r.Place() != "" {
		a.Say("%s is a second place already, place %s: nothing is to be done.", screen.Printable(r.at.String()), r.Place())
		return nil
	}
	other, err := a.openOther(c, of, r.secret)
	if err != nil {
		return err
	}
	defer other.Close()
	given, err := r.GivePlace(c.Context, other.Repository, a.placeHad(r, other.Place()), store.MarkOptions{Host: hostName()})
	if err != nil {
		return namingOther(err, other)
	}
	a.Say("%s is a second place of repository %s again, as place %s.", screen.Printable(r.at.String()), r.ID(), given)
	return nil
}

// placeHad gives the identity that a place had before, as far as this machine knows: where captures wait for one that is not
// found any more, and for no other one; else "".
func (a *app) placeHad(r *repository, other string) string {
	var had []string
	for _, o := range a.strayed(r) {
		if place := placeOf(o.Repository); place != "" && place != other && !slices.Contains(had, place) {
			had = append(had, place)
		}
	}
	if len(had) != 1 {
		return ""
	}
	return had[0]
}
