package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/spool"
)

// strayed is a spool of a place of the repository that is not found.
type strayed struct {
	spool.Other
	inBucket bool // what lies where the repository is asked for
}

// strayed gives the spools in which captures wait for a place of this repository that is not found any more: where the
// repository lies was that place, or nothing is noted of where it was. So it is once a place lost the mark of which one it is.
func (a *app) strayed(r *repository) (found []strayed) {
	all, ok := a.spools()
	if !ok {
		return nil
	}
	here := r.at.Full()
	for _, o := range all.OtherPlaces(r.ID().String(), spoolName(r.Repository)) {
		if len(o.Paths) == 0 || slices.Contains(o.Paths, here) {
			found = append(found, strayed{o, r.at.InBucket()})
		}
	}
	return found
}

// placeOf gives the place in the name of a spool; "" of the first.
func placeOf(spoolName string) string {
	_, place, _ := strings.Cut(spoolName, "-")
	return place
}

// strayedText says what waits for a place that is not found.
func strayedText(o strayed) string {
	place := "the first place"
	if p := placeOf(o.Repository); p != "" {
		place = "place " + p
	}
	here := "this folder"
	if o.inBucket {
		here = "this prefix of the bucket"
	}
	return fmt.Sprintf("%s on this machine to be sent to %s of this repository, and %s is another one, or lost the mark of which it is",
		screen.Count(len(o.Waiting), "capture waits", "captures wait"), place, here)
}

// adviceStrayed is what can be done about that.
const adviceStrayed = "kist verify tells of such marks, and kist setup --replica-of OTHER --again puts one back"

// warnStrayed warns of what waits for a place that is not found, and tells whether something does.
func (a *app) warnStrayed(r *repository) bool {
	all := a.strayed(r)
	for _, o := range all {
		a.Warn("%s (%s).", strayedText(o), adviceStrayed)
	}
	return len(all) > 0
}
