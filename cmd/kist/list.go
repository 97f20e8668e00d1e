package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) listCommand() *cli.Command {
	return &cli.Command{
		Name:  "list",
		Usage: "list the captures, oldest first",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "name", Usage: "only captures of `NAME`"},
			&cli.BoolFlag{Name: "retired", Usage: "those that are retired and still there, instead of the others"},
			&cli.BoolFlag{Name: "writers", Usage: "who is at work in the repository, instead of captures"},
		},
		Description: `
size is the length of the captured streams, added what the repository grew by. Times
are local, with the zone, while ids are in UTC. The host is shown where it is not
the same of all. Remarks are shown where there are any, of captures that may be less
good to go back to: waiting (it is in the spool on this machine and was not sent yet; see
kist help capture), live (the service ran meanwhile), unfinished (the stream was cut
short, and accepted so), changed (files changed while they were read). Rehearsed, where
any was, is the day and the outcome of the latest rehearsal: up (the service came up on
it), whole (all of the data came back), down or harmed (it did not).

A retired capture stays restorable until the time shown at least (unless somebody
runs kist reclaim with a shorter --grace), and can be taken back: kist retire
--undo. A writer that was killed is shown as silent half an hour after its last
sign of life, until kist reclaim tidies up; nothing waits for it from then on.

Example:
  kist list --name seedbank
  kist list --json
  kist list --retired
  kist list --writers`,
		Action: a.listAction,
	}
}

// listAction lists the captures of the repository, or, where it is away, those of its spool.
func (a *app) listAction(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 0, 0); err != nil {
		return err
	}
	r, err := a.openOrSpool(c.Context)
	if err == nil {
		defer r.Close()
		a.warnElsewhere(spoolName(r.Repository))
		return a.list(c, r)
	}
	if !isAway(err) || c.Bool("writers") {
		return err
	}
	s, failed := a.spoolAlone(c.Context)
	if failed != nil {
		return err
	}
	defer s.Close()
	l, failed := a.listing(c.Context, s.repository)
	if failed != nil {
		return errors.Join(err, failed)
	}
	waiting := slices.DeleteFunc(slices.Clone(l.Captures), func(c *store.Capture) bool { return c.Retired != nil || s.place.IsSent(c.ID) })
	// What is shown is not what was asked for: that stays an error.
	return errors.Join(a.listOf(c, s.repository, l, waiting), &alsoError{alone(err), "What is listed is in the spool on this machine"})
}

func (a *app) list(c *cli.Context, r *repository) error {
	name, retired := c.String("name"), c.Bool("retired")
	if c.Bool("writers") {
		if retired || name != "" {
			return usagef("list: --writers lists no captures: it goes with neither --retired nor --name")
		}
		return a.listWriters(c, r)
	}
	l, err := a.listing(c.Context, r)
	if err != nil {
		return err
	}
	a.warnStrayed(r)
	s, waiting, unread, err := a.waiting(c.Context, r, l.Captures)
	if err != nil {
		a.Warn("%s", screen.Text(err.Error()))
	}
	for _, id := range unread {
		a.Warn("%s", unreadText(id))
	}
	if s != nil {
		defer s.Close()
		l.Captures = slices.Concat(l.Captures, waiting)
		slices.SortStableFunc(l.Captures, func(a, b *store.Capture) int { return cmp.Or(a.Taken.Compare(b.Taken), strings.Compare(a.ID, b.ID)) })
	}
	err = a.listOf(c, r, l, waiting)
	if err == nil && len(unread) > 0 {
		err = &statusError{statusDamage, fmt.Errorf("%s in the spool on this machine can't be read", screen.Count(len(unread), "capture that waits", "captures that wait"))}
	}
	return err
}

// listOf lists captures, of which some wait to be sent to the repository.
func (a *app) listOf(c *cli.Context, r *repository, l *store.Listing, waiting []*store.Capture) (err error) {
	name, retired := c.String("name"), c.Bool("retired")
	waits := make(map[string]bool)
	for _, w := range waiting {
		waits[w.ID] = true
	}
	captures := slices.DeleteFunc(slices.Clone(l.Captures), func(c *store.Capture) bool {
		return name != "" && c.Name != name || !a.ofHost(c) || retired != (c.Retired != nil)
	})
	if len(captures) == 0 && !a.JSON && (name != "" || a.host != "") {
		a.sayNone(l, name)
	} else if retired {
		err = a.printRetired(captures, r.Grace())
	} else {
		err = a.printCaptures(c.Context, r, captures, waits)
	}
	if err != nil {
		return err
	}
	return listedDamage(l)
}

// listedDamage is what a list ends with where index files can't be read, which listing said before it.
func listedDamage(l *store.Listing) error {
	if l.Damage == nil {
		return nil
	}
	var texts []string
	if ids := l.Damage.Earlier; len(ids) > 0 {
		texts = append(texts, fmt.Sprintf("of %s an earlier index file counts, without what was amended since (kist repair)", firstIDs(ids)))
	}
	if ids := l.Damage.Captures; len(ids) > 0 {
		texts = append(texts, fmt.Sprintf("not in the list: %s", firstIDs(ids)))
	}
	return &statusError{statusDamage, fmt.Errorf("index files can't be read: %s", strings.Join(texts, "; "))}
}

func (a *app) printCaptures(ctx context.Context, r *repository, captures []*store.Capture, waits map[string]bool) error {
	if a.JSON {
		holds, err := holdsOf(ctx, r, captures...)
		if err != nil {
			return err
		}
		array := screen.NewArray(a.Out)
		for _, c := range captures {
			j := newShownJSON(c, holds[c.ID], false)
			j.Waiting = waits[c.ID]
			if err := array.Add(j); err != nil {
				return err
			}
		}
		return array.End()
	}
	if len(captures) == 0 {
		a.Say("No captures. kist capture makes one.")
		return nil
	}
	return a.FitTable(listLines(captures, waits), "name", "version", "host", "remarks", "rehearsed")
}

// column is one of the table of captures.
type column struct {
	title string
	cell  func(*store.Capture) string
}

func listLines(captures []*store.Capture, waits map[string]bool) []string {
	columns := []column{
		{"id", func(c *store.Capture) string { return c.ID }},
		{"name", func(c *store.Capture) string { return screen.Printable(c.Name) }},
		{"version", func(c *store.Capture) string { return screen.Printable(c.Version) }},
		{"taken", func(c *store.Capture) string { return screen.LocalTime(c.Taken) }},
		{"    size", func(c *store.Capture) string { return screen.SizeCell(c.Bytes) }},
		{"   added", func(c *store.Capture) string { return screen.SizeCell(c.Added) }},
		{"held", heldText},
	}
	if severalHosts(captures) {
		columns = slices.Insert(columns, 3, column{"host", func(c *store.Capture) string { return screen.Printable(c.Host) }})
	}
	if slices.ContainsFunc(captures, func(c *store.Capture) bool { return c.Rehearsed != nil }) {
		columns = append(columns, column{"rehearsed", rehearsedCell})
	}
	if slices.ContainsFunc(captures, func(c *store.Capture) bool { return len(c.Doubts) > 0 || waits[c.ID] }) {
		columns = append(columns, column{"remarks", func(c *store.Capture) string { return remarksText(c, waits[c.ID]) }})
	}
	var titles []string
	for _, col := range columns {
		titles = append(titles, col.title)
	}
	lines := []string{strings.Join(titles, "\t")}
	for _, c := range captures {
		var cells []string
		for _, col := range columns {
			cells = append(cells, col.cell(c))
		}
		lines = append(lines, strings.Join(cells, "\t"))
	}
	return lines
}

// holdsOf gives the holds of captures by their ids; it reads none where none is held.
func holdsOf(ctx context.Context, r *repository, captures ...*store.Capture) (map[string][]store.Hold, error) {
	if !slices.ContainsFunc(captures, func(c *store.Capture) bool { return c.Held }) {
		return nil, nil
	}
	return r.Holds(ctx)
}

func heldText(c *store.Capture) string {
	if c.Held {
		return "yes"
	}
	return "no"
}

// sayNone says that no capture is of a name and host, and which names there are.
func (a *app) sayNone(l *store.Listing, name string) {
	what := "No captures"
	if name != "" {
		what += fmt.Sprintf(" of %q", name)
	}
	if a.host != "" {
		what += fmt.Sprintf(" on host %q", a.host)
	}
	var names []string
	for _, c := range l.Captures {
		if shown := screen.Printable(c.Name); c.Retired == nil && a.ofHost(c) && !slices.Contains(names, shown) {
			names = append(names, shown)
		}
	}
	slices.Sort(names)
	if name != "" && len(names) > 0 {
		const most = 10
		what += "; there are some of " + strings.Join(names[:min(most, len(names))], ", ")
		if len(names) > most {
			what += " and others"
		}
	}
	if meant := cmp.Or(screen.Line(cmdline.Meant(name, namesListed(l))), meantHost(l, a.host)); meant != "" {
		a.Say("%s%s", what, meant)
		return
	}
	a.Say("%s.", what)
}

// remarksText is doubtsText of a capture that may wait to be sent.
func remarksText(c *store.Capture, waits bool) string {
	text := doubtsText(c)
	switch {
	case waits && text == "":
		return "waiting"
	case waits:
		return "waiting, " + text
	}
	return text
}
