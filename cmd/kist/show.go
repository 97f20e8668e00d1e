package main

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) showCommand() *cli.Command {
	return &cli.Command{
		Name:      "show",
		Usage:     "tell all that is known of a capture",
		ArgsUsage: "CAPTURE, or --head",
		Flags: []cli.Flag{
			&cli.BoolFlag{Name: "head", Usage: "print a short text by which all captures can be known again: note it elsewhere"},
			&cli.BoolFlag{Name: "launch", Usage: "print the commands that make the captured container again, its image pinned by digest, and start it"},
			&cli.BoolFlag{Name: "reveal", Usage: "print values that look secret, too"},
			engineFlag(),
		},
		Description: `
In labels and in the launch configuration, values are masked with **** where their
names look secret (such as DB_PASSWORD or API_KEY, also within a connection string or
behind a flag), and passwords in URLs; with --json, too. What is called by another
name can't be told from others: look before you pass it on.

--launch needs a capture that was made with --container. It prints two lines for a
shell: the first makes the container, the second starts it. Look them over before you run
them, and bring the data back in between (kist restore --create does the first and that).

--head names the newest capture of each machine, with a hash that stands for it and
for all that the machine captured before. Noted where nobody can change it, it lets
kist verify --head prove later that no capture was taken away or exchanged.

Example:
  kist show seedbank@latest
  kist show --head
  kist show 20260314 --launch --reveal`,
		Action: a.show,
	}
}

func (a *app) show(c *cli.Context) error {
	if c.Bool("head") {
		return a.showHead(c)
	}
	if err := cmdline.WantArgs(c, 1, 1); err != nil {
		return err
	}
	r, capture, err := a.openOf(c.Context, c.Args().First())
	if err != nil {
		return err
	}
	defer r.Close()
	holds, err := holdsOf(c.Context, r, capture)
	switch {
	case err != nil:
		return err
	case c.Bool("launch"):
		return a.showLaunch(capture, a.engineProgram(c), c.Bool("reveal"))
	case a.JSON: // masked by newRetiredJSON
		return a.PrintJSON(newRetiredJSON(capture, holds[capture.ID], r.Grace(), c.Bool("reveal")))
	}
	shown := capture
	if !c.Bool("reveal") {
		if shown = withoutSecrets(capture); labelsDiffer(shown, capture) {
			a.warnMasked()
		}
	}
	return a.printCapture(shown, holds[capture.ID], r.Grace())
}

func (a *app) printCapture(c *store.Capture, holds []store.Hold, grace time.Duration) error {
	lines := []string{
		"id\t" + c.ID,
		"name\t" + screen.Printable(c.Name),
		"version\t" + screen.Printable(c.Version),
		"note\t" + screen.Printable(c.Note),
		"taken\t" + screen.LocalTime(c.Taken),
		"written\t" + screen.LocalTime(c.Written),
		"host\t" + screen.Printable(c.Host),
		"held\t" + heldText(c) + holdsText(holds),
		fmt.Sprintf("size\t%s in %s; the repository grew by %s", screen.Size(c.Bytes), screen.Count(c.Members, "member", "members"), screen.Size(c.Added)),
	}
	lines = append(lines, amendedLines(c)...)
	if len(c.Doubts) > 0 {
		lines = append(lines, "remarks\t"+doubtsText(c))
	}
	lines = append(lines, rehearsedLines(c)...)
	if c.Retired != nil {
		lines = append(lines, "retired\t"+retirementText(c, grace))
	}
	if err := a.Table(append(lines, labelLines(c.Labels)...)); err != nil {
		return err
	}
	for i := range c.Volumes {
		a.Printf("\n")
		if err := a.printVolume(&c.Volumes[i]); err != nil {
			return err
		}
	}
	return nil
}

// holdsText says when, where and why a capture was held, for each hold.
func holdsText(holds []store.Hold) (text string) {
	for _, h := range holds {
		text += ", since " + screen.LocalTime(h.At)
		if h.Host != "" {
			text += " on " + screen.Printable(h.Host)
		}
		if h.Reason != "" {
			text += ": " + screen.Printable(h.Reason)
		}
	}
	return text
}

// labelLines gives a line for each label. The launch configuration is long, and
// has a flag of its own.
func labelLines(labels map[string]string) (lines []string) {
	for _, label := range slices.Sorted(maps.Keys(labels)) {
		value := screen.Printable(labels[label])
		switch {
		case containers.IsLaunch(label):
			value = "known; kist show --launch prints the commands"
		case label == containers.LabelStopped:
			value += " (how long the container was down until all was read)"
		}
		lines = append(lines, "label\t"+screen.Printable(label)+"="+value)
	}
	return lines
}

func (a *app) printVolume(v *store.Volume) error {
	lines := []string{"volume\t" + screen.Printable(v.Name)}
	for _, line := range []struct{ name, value string }{
		{"mounted at", v.MountPath}, {"read from", v.Source}, {"sha256", v.SHA256}, {"unfinished", v.Unfinished},
	} {
		if line.value != "" {
			lines = append(lines, "  "+line.name+"\t"+screen.Printable(line.value))
		}
	}
	lines = append(lines, fmt.Sprintf("  size\t%s in %s%s", screen.Size(v.Bytes), screen.Count(v.Members, "member", "members"), volumeRemark(v, false)))
	for i, w := range v.Warnings {
		if i == screen.MaxWarnings {
			lines = append(lines, fmt.Sprintf("  warning\tand %d more; --json has all", len(v.Warnings)-i))
			break
		}
		lines = append(lines, "  warning\t"+screen.Printable(w))
	}
	return a.Table(lines)
}

// labelsDiffer tells whether labels differ that are printed here.
func labelsDiffer(c, other *store.Capture) bool {
	for name, value := range c.Labels {
		if !containers.IsLaunch(name) && value != other.Labels[name] {
			return true
		}
	}
	return false
}

func (a *app) warnMasked() {
	a.Warn("values that look secret are masked with %s; --reveal prints them.", engine.Masked)
}
