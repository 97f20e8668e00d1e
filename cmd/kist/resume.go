package main

import (
	"context"
	"errors"
	"path/filepath"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
)

// shortWatch is how long commands other than resume look at what runs after they ended an upgrade.
const shortWatch = 3 * time.Second

func (a *app) resumeCommand() *cli.Command {
	return &cli.Command{
		Name:  "resume",
		Usage: "start what a killed capture or restore left stopped, end killed upgrades and rehearsals, and send captures that wait on this machine",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "down", Usage: "of an upgrade by commands that was left: `COMMAND` that stops the service, in the place of the one that was given"},
			&cli.StringFlag{Name: "up", Usage: "of an upgrade by commands that was left: `COMMAND` that starts it"},
			&cli.BoolFlag{Name: "drop", Usage: "give up what is damaged of the captures that wait in the spool on this machine, for good, and send the rest"},
			limitRateFlag(),
		},
		Description: `
Every command brings what was killed to its end before all else, but for the removal of what a killed
rehearsal left, which only kist rehearse does. This one needs no repository for that: it is
for service managers. Where captures wait on this machine to be sent to the repository that is
asked for, it sends them, as kist capture does, also to a repository that was moved since, by
--repository PLACE. Only to go back from an upgrade whose new
version may have changed the data it opens the repository that the upgrade was given, and
asks for the passphrase if no file tells it. It watches what runs then for as long as the
upgrade was told to; other commands look for some seconds only.

What failed once for a reason that a person must mend, such as a damaged capture, too little
room or a failing --up, is tried again by this command alone; others say that it is open.
Where the spool is damaged, the captures in it that are whole are sent, and the others are named;
exit status 3. kist restore brings back what can be read of those. --drop then gives up
what can't be read, which is lost for good, and sends what is left of them.
--down and --up give other commands for an upgrade that was begun with such. Exit status 1
also where the old version runs again and is not well.

Example:
  kist resume
  kist resume --up 'systemctl start seedbank'`,
		Action: a.limiting(func(c *cli.Context) error {
			if err := cmdline.WantArgs(c, 0, 0); err != nil {
				return err
			}
			return a.resume(c)
		}),
	}
}

// resumedJSON is what became of a container, as scripts get it.
type resumedJSON struct {
	Container string `json:"container,omitempty"`
	Rehearsal string `json:"rehearsal,omitempty"` // its scratch folder
	Capture   string `json:"capture,omitempty"`   // that had waited in the spool
	// Outcome is started, left-stopped or failed; of an upgrade as kist upgrade tells it; of a rehearsal
	// removed or failed; of a capture sent.
	Outcome string `json:"outcome"`
}

func (a *app) resume(c *cli.Context) error {
	k, u, p := a.keeper(), a.upgrader(a.reopened(true)), a.rehearsalKeeper()
	all := []resumedJSON{}
	nothing := a.nothingOpen()
	if a.JSON {
		k.Report = func(container, outcome string) {
			all = append(all, resumedJSON{Container: container, Outcome: outcome})
		}
		u.Report = func(service string, came upgrade.Result) {
			all = append(all, resumedJSON{Container: service, Outcome: string(came)})
		}
	}
	p.Report = func(scratch string, err error) {
		outcome := "removed"
		if err != nil {
			outcome = "failed"
		}
		all = append(all, resumedJSON{Rehearsal: scratch, Outcome: outcome})
	}
	err := errors.Join(k.StartLeft(c.Context), u.Recover(c.Context, upgrade.Resuming{Again: true, Down: c.String("down"), Up: c.String("up")}), p.RemoveLeft(c.Context))
	sent, elsewhere, failed := a.resumeSending(c.Context, c.Bool("drop"))
	for _, id := range sent {
		all = append(all, resumedJSON{Capture: id, Outcome: "sent"})
	}
	err = errors.Join(err, failed)
	switch {
	case a.JSON:
		err = errors.Join(a.PrintJSON(all), err)
	case err == nil && nothing && !elsewhere && len(all) == 0:
		a.Say("Nothing is open.")
	}
	return err
}

// nothingOpen tells whether nothing is noted on this machine, but for rehearsals, that a run left, or is at.
func (a *app) nothingOpen() bool {
	still, err := a.keeper().Noted()
	open, failed := a.upgrader(nil).Opened()
	return errors.Join(err, failed) == nil && len(still)+len(open) == 0
}

// resumeSending sends what waits for the repository that is asked for, if one is. elsewhere tells whether something waits for
// another one that lay there before.
func (a *app) resumeSending(ctx context.Context, drop bool) (ids []string, elsewhere bool, err error) {
	if a.shared.repository == "" && a.getenv("KIST_REPOSITORY") == "" {
		return nil, false, nil
	}
	place, err := a.placeAlone()
	switch {
	case errors.Is(err, errNoSpool) && !a.isUnknown():
		return nil, false, nil
	case err != nil && !errors.Is(err, errNoSpool):
		return nil, false, err
	case err == nil:
		if ids, err := place.Waiting(); err != nil || len(ids) == 0 && !drop {
			return nil, a.warnElsewhere(filepath.Base(place.Dir)), err
		}
	}
	r, err := a.open(ctx)
	if err != nil {
		return nil, false, err
	}
	defer r.Close()
	elsewhere = a.warnElsewhere(spoolName(r.Repository))
	ids, err = a.sendLeft(ctx, r, drop)
	for _, o := range a.strayed(r) {
		err = errors.Join(err, &advised{errors.New(strayedText(o)), adviceStrayed + "."})
	}
	return ids, elsewhere, err
}
