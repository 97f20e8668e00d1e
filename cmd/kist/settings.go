package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) settingsCommand() *cli.Command {
	return &cli.Command{
		Name:  "settings",
		Usage: "show how the repository is set up; change how much parity it gets, and its deltas",
		Flags: []cli.Flag{parityFlag("from now on; off: none"), deltasFlag("", "from now on")},
		Description: `
Shows what was chosen when the repository was made, and can't be changed later, and how much
parity its files get and whether it stores deltas, which can.

By parity, damage to a file of the repository heals: with 3%, any run of up to 1/32 of it, which is 1 MiB
of a full one of 32 MiB, or damage that is scattered over it. Index files, tables and key slots get a
second copy. kist verify calls such damage mendable, restoring reads through it with a warning,
and kist repair mends it. What was written before has none, until kist reclaim moves it.

Parity does not replace a second place: a disk that is lost takes it along.

With deltas on, what is much like something else is stored as what differs: by what the same
capture holds, and by what the capture before had in its place, of which some is read back. With
own, only by what the same capture holds; off: nothing is. Damage to a piece that others are stored by
harms these, too; kist verify names them. A release of kist from before there were deltas can't read such
captures, and its repair --drop gives them up: bring all machines up to date before.

Example:
  kist settings
  kist settings --parity 3%
  kist settings --parity off
  kist settings --deltas own`,
		Action: a.settingsAction,
	}
}

func parityFlag(more string) cli.Flag {
	return &cli.StringFlag{Name: "parity", Usage: "`SHARE` of parity, as 3%, for healing damage; a whole number up to " + strconv.Itoa(store.MaxParity) + ", " + more}
}

// parseParity reads a share of parity, in percent.
func parseParity(s string) (int, error) {
	if s == "off" {
		return 0, nil
	}
	number, ok := strings.CutSuffix(s, "%")
	n, err := strconv.Atoi(number)
	if err != nil || !ok || n < 1 || n > store.MaxParity {
		return 0, usagef("--parity %q: it is off, or a whole number of percent from 1%% to %d%%%s", s, store.MaxParity, meantParity(s, number, n))
	}
	return n, nil
}

// meantParity asks whether a share of parity was meant that is written otherwise.
func meantParity(s, number string, n int) string {
	switch {
	case slices.Contains([]string{"0", "no", "none", "never", "false", "OFF", "Off"}, number):
		return "; did you mean off?"
	case s == number && n >= 1 && n <= store.MaxParity:
		return fmt.Sprintf("; did you mean %d%%?", n)
	}
	return ""
}

// deltasWords are the ways of deltas, as they are named here.
var deltasWords = map[string]store.Deltas{"on": store.DeltasOn, "own": store.DeltasOwn, "off": store.DeltasOff}

func deltasFlag(value, more string) cli.Flag {
	return &cli.StringFlag{Name: "deltas", Value: value, Usage: "`on, own or off`: whether what is much like something else is stored as what differs, " + more}
}

// parseDeltas reads a way of deltas.
func parseDeltas(s string) (store.Deltas, error) {
	d, ok := deltasWords[s]
	if !ok {
		return "", usagef("--deltas %q: it is on, own or off", s)
	}
	return d, nil
}

func deltasText(d store.Deltas) string {
	for word, way := range deltasWords {
		if way == d {
			return word
		}
	}
	return string(d)
}

// wantedSettings are those that a command line sets; nil: it leaves them.
type wantedSettings struct {
	parity *int
	deltas *store.Deltas
}

func readSettings(c *cli.Context) (w wantedSettings, err error) {
	if c.IsSet("parity") {
		percent, err := parseParity(c.String("parity"))
		if err != nil {
			return w, err
		}
		w.parity = &percent
	}
	if c.IsSet("deltas") {
		deltas, err := parseDeltas(c.String("deltas"))
		if err != nil {
			return w, err
		}
		w.deltas = &deltas
	}
	return w, nil
}

func (a *app) settingsAction(c *cli.Context) error {
	w, err := readSettings(c) // before arguments: a value that is left out takes the next flag for it
	if err != nil {
		return err
	}
	return a.opening(0, 0, func(c *cli.Context, r *repository) error {
		if err := a.changeSettings(c.Context, r, w); err != nil {
			return err
		}
		return a.showSettings(c, r)
	})(c)
}

// changeSettings changes what is asked for.
func (a *app) changeSettings(ctx context.Context, r *repository, w wantedSettings) error {
	marks, err := r.LostSettings(ctx)
	if err != nil {
		return err
	}
	lost := len(marks) > 0
	if w.parity != nil {
		if err := a.setParity(ctx, r, *w.parity, lost); err != nil {
			return err
		}
	}
	if w.deltas != nil {
		if err := a.setDeltas(ctx, r, *w.deltas, lost); err != nil {
			return err
		}
	}
	if lost && w != (wantedSettings{}) {
		return a.sayPutAnew(ctx, r)
	}
	return nil
}

// sayPutAnew says what settings are that were put in the place of some that nobody can read: also of those that nothing
// was said about.
func (a *app) sayPutAnew(ctx context.Context, r *repository) error {
	percent, err := r.Parity(ctx)
	if err != nil {
		return err
	}
	deltas, err := r.Deltas(ctx)
	if err != nil {
		return err
	}
	a.Say("What the settings were can't be read, so they were put anew: parity is %s, and deltas are %s, for what is captured from now on (--parity and --deltas change it).", parityText(percent), deltasText(deltas))
	return nil
}

func (a *app) showSettings(c *cli.Context, r *repository) error {
	percent, err := r.Parity(c.Context)
	if err != nil {
		return err
	}
	lost, err := r.LostSettings(c.Context)
	if err != nil {
		return err
	}
	deltas, err := r.Deltas(c.Context)
	if err != nil {
		return err
	}
	if a.JSON {
		err = a.PrintJSON(struct {
			ID      string    `json:"id"`
			Made    time.Time `json:"made"`
			Average int       `json:"chunk_average"`
			Grace   int64     `json:"grace_seconds"`
			Recheck bool      `json:"recheck"`
			Apart   string    `json:"apart,omitempty"`
			Place   string    `json:"place,omitempty"`
			Parity  int       `json:"parity_percent"`
			Deltas  string    `json:"deltas"`
			Lost    []string  `json:"lost_settings,omitempty"`
		}{r.ID().String(), r.Made(), r.ChunkAverage(), int64(r.Grace() / time.Second), r.Recheck(), string(r.Apart()), r.Place(), percent, deltasText(deltas), lost})
		return errors.Join(err, lostSettings(lost))
	}
	a.Printf("id             %s\n", r.ID())
	if r.Place() != "" {
		a.Printf("place          %s\n", r.Place())
	}
	a.Printf("made           %s\n", screen.LocalTime(r.Made()))
	a.Printf("chunk average  %s\n", screen.Size(uint64(r.ChunkAverage())))
	a.Printf("grace          %s\n", screen.DurationText(r.Grace()))
	a.Printf("recheck        %s\n", map[bool]string{true: "on", false: "off"}[r.Recheck()])
	a.Printf("apart          %s\n", map[store.Apart]string{store.Together: "no", store.ApartCompressed: "yes", store.ApartStored: "yes, and stored"}[r.Apart()])
	if len(lost) > 0 {
		a.Printf("parity         not known, none is written\n")
		a.Printf("deltas         not known, none are written\n")
		return lostSettings(lost)
	}
	a.Printf("parity         %s\n", parityText(percent))
	a.Printf("deltas         %s\n", deltasText(deltas))
	return nil
}

// setParity changes how much parity slabs get, and says whether that is a change. Settings that are lost are put anew.
func (a *app) setParity(ctx context.Context, r *repository, percent int, lost bool) error {
	before, err := r.Parity(ctx)
	if err != nil {
		return err
	}
	if before == percent && !lost {
		a.Say("Parity is %s already: nothing was changed.", parityText(percent))
		return nil
	}
	if err := r.SetParity(ctx, percent, store.MarkOptions{Host: hostName()}); err != nil || lost {
		return err
	}
	a.Say("Parity was %s, and is %s for what is written from now on.", parityText(before), parityText(percent))
	return nil
}

// setDeltas changes which contents are stored as what differs, and says whether that is a change. Settings that are lost
// are put anew.
func (a *app) setDeltas(ctx context.Context, r *repository, d store.Deltas, lost bool) error {
	before, err := r.Deltas(ctx)
	if err != nil {
		return err
	}
	if before == d && !lost {
		a.Say("Deltas are %s already: nothing was changed.", deltasText(d))
		return nil
	}
	if err := r.SetDeltas(ctx, d, store.MarkOptions{Host: hostName()}); err != nil {
		return err
	}
	if !lost {
		a.Say("Deltas were %s, and are %s for what is captured from now on.", deltasText(before), deltasText(d))
	}
	a.cautionDeltas(d)
	return nil
}

// cautionDeltas says what deltas risk.
func (a *app) cautionDeltas(d store.Deltas) {
	switch d {
	case store.DeltasOn:
		a.Warn("with deltas captures rest on each other, so that damage to one piece harms more of them: keep a second place. Releases of kist from before there were any can't read them.")
	case store.DeltasOwn:
		a.Warn("with deltas pieces of a capture rest on each other, so that damage to one harms more: keep a second place. Releases of kist from before there were any can't read such captures.")
	}
}

func parityText(percent int) string {
	if percent == 0 {
		return "off"
	}
	return fmt.Sprintf("%d%%", percent)
}

// setAgain is what helps where the settings of the repository can't be read.
const setAgain = "kist settings --parity and --deltas set them again"

// lostSettings says that the settings of the repository can't be read.
func lostSettings(marks []string) error {
	if len(marks) == 0 {
		return nil
	}
	return &statusError{statusDamage, &advised{fmt.Errorf("%s can't be read, so how much parity there is to be, and whether deltas, is not known", screen.Printable(marks[0])), setAgain + "."}}
}

// warnLostSettings says that what was captured got no parity and no deltas, where they may have been wanted.
func (a *app) warnLostSettings(ctx context.Context, r *repository) {
	if lost, err := r.LostSettings(ctx); err == nil && len(lost) > 0 {
		a.Warn("%s can't be read, so that nothing tells how much parity was wanted, or whether deltas: none of either was written (%s).", screen.Printable(lost[0]), setAgain)
	}
}
