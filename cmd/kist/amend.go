package main

import (
	"fmt"
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) amendCommand() *cli.Command {
	return &cli.Command{
		Name:      "amend",
		Usage:     "correct what was said of a capture",
		ArgsUsage: "CAPTURE",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "version", Usage: "`VERSION` of the service that the data belongs to"},
			&cli.StringFlag{Name: "note", Usage: "`TEXT` for people"},
			&cli.StringFlag{Name: "taken", Usage: "`TIME` when the data was as captured, as for kist capture"},
			acceptFutureFlag(),
			&cli.StringSliceFlag{Name: "label", Usage: "set the label `KEY=VALUE`; may be given several times"},
			&cli.StringSliceFlag{Name: "remove-label", Usage: "take the label `KEY` away; may be given several times"},
		},
		Description: `
For what was typed wrong. What is not given stays as it is. The data is not touched,
and the id stays: so it goes on telling the minute that was recorded first, even if
--taken amends it. What was recorded first is kept, and kist show tells it; other
machines, kist show --head and kist verify take the capture for the one it was.
Every release before this command was there shows what was recorded first, and
a kist reclaim or kist repair by one may undo what was amended.

The name and the host can't be amended: rotations and takeovers go by them. Nor can
the labels that kist gave to a container's capture. A retired capture is taken back
first (kist retire --undo).

Example:
  kist amend seedbank@latest --version 4.1.0
  kist amend 20620314t0203z-k7f3 --taken "2026-03-14 02:03"
  kist amend 20260314t0203z-k7f3 --note "" --label site=mill`,
		Action: a.amend,
	}
}

func (a *app) amend(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 1, 1); err != nil {
		return err
	}
	o, err := amendOptions(c)
	if err != nil {
		return err
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	was, err := a.find(c.Context, r, c.Args().First())
	if err != nil {
		return err
	}
	for _, label := range o.RemoveLabels {
		_, has := was.Labels[label]
		if _, set := o.Labels[label]; !has && !set { // to set and remove one is refused below
			return missing(fmt.Errorf("capture %s has no label %s: nothing was amended", was.ID, screen.Line(label)))
		}
	}
	is, err := r.Amend(c.Context, was.ID, o)
	if err != nil {
		return err
	}
	if a.JSON {
		return a.PrintJSON(withoutSecrets(is))
	}
	a.Printf("Amended %s\n", captureText(is))
	return nil
}

func amendOptions(c *cli.Context) (o store.AmendOptions, err error) {
	o = store.AmendOptions{RemoveLabels: c.StringSlice("remove-label"), Host: hostName()}
	for flag, to := range map[string]**string{"version": &o.Version, "note": &o.Note} {
		if c.IsSet(flag) {
			value := c.String(flag)
			*to = &value
		}
	}
	if err := checkVersionWord("amend", "--version", c.String("version")); err != nil {
		return o, err
	}
	if o.Taken, err = takenTime(c); err != nil {
		return o, err
	}
	if o.Labels, err = cmdline.Labels(c.StringSlice("label")); err != nil {
		return o, err
	}
	for _, label := range containers.OwnLabels() {
		if _, set := o.Labels[label]; set || slices.Contains(o.RemoveLabels, label) {
			return o, usagef("amend: label %s is one that kist gives itself", label)
		}
	}
	if o.Version == nil && o.Note == nil && o.Taken.IsZero() && len(o.Labels)+len(o.RemoveLabels) == 0 {
		return o, usagef("amend: what is to be amended? Give --version, --note, --taken, --label or --remove-label")
	}
	return o, nil
}

// amendedLines tells what was recorded first, where it was amended.
func amendedLines(c *store.Capture) (lines []string) {
	am := c.Amended
	if am == nil {
		return nil
	}
	text := screen.LocalTime(am.At)
	if am.Host != "" {
		text += " on " + screen.Printable(am.Host)
	}
	if am.Labels {
		text += " (labels, too)"
	}
	lines = append(lines, "amended\t"+text)
	if am.Taken != nil {
		lines = append(lines, "  taken was\t"+screen.LocalTime(*am.Taken))
	}
	if am.Version != nil {
		lines = append(lines, "  version was\t"+screen.Printable(*am.Version))
	}
	if am.Note != nil {
		lines = append(lines, "  note was\t"+screen.Printable(*am.Note))
	}
	return lines
}
