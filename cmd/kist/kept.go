package main

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/kept"
	"github.com/kistarchive/kist/cmd/kist/internal/members"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/places"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/trees"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
	"github.com/kistarchive/kist/store/volume"
)

func (a *app) keptCommand() *cli.Command {
	return &cli.Command{
		Name:      "kept",
		Usage:     "list what restores and upgrades set aside on this machine, or remove it",
		ArgsUsage: "[DIR…], or --remove [PATH or CONTAINER…], or --recover DIR…",
		Flags: []cli.Flag{
			&cli.BoolFlag{Name: "remove", Usage: "remove for good the PATHs and CONTAINERs, as they are listed; without one all that is listed"},
			&cli.BoolFlag{Name: "by-name", Usage: "with --remove PATH…: also what only its name tells of: look at it first"},
			&cli.BoolFlag{Name: "accept-no-undo", Usage: "with --remove CONTAINER…: also what kist upgrade --undo would go back to: it can't, then"},
			&cli.BoolFlag{Name: "recover", Usage: "put in order what a restore into DIR left that was killed while it exchanged trees"},
			&cli.StringFlag{Name: "older", Usage: "only what was set aside `TIME` ago or earlier, as 36h, 7d or 2w"},
		},
		Description: `
A restore keeps what it replaces under a dated name, NAME.before-DATE, or .before-DATE in
a mount point. Of damaged data it builds what is whole beside what lives, as
NAME.rescued-DATE. A restore that was killed leaves an unfinished tree, NAME.new-…. One
that was killed while it exchanged trees leaves torn ones, which may be the data that belongs in
its place: they are never removed. --recover puts them in order: the old data back, or,
where the new one was complete and partly in place, all of that.

kist remembers where it restored to on this machine, and what it set aside there, and looks. With DIR it
looks at these places alone, also those that an earlier release restored into. No repository
is needed. Captures leave out what is set aside in a mount point.

--remove removes what kist knows to have set aside itself. Where only a name says so, which anything
may have, it is listed as "by name", and stays, unless its PATH is given with --by-name. What
a restore works with just now stays in any case.

An upgrade keeps the container that it does not leave running, as NAME-before-DATE, NAME-failed-DATE or
NAME-undone-DATE. Without DIR these are listed, too. --remove has the engine remove them, and leaves
their volumes: never one that runs, or that an upgrade which is not at its end is about;
and one that kist upgrade --undo would go back to only by its name, with --accept-no-undo.

Example:
  kist kept
  kist kept --remove --older 2w
  kist kept --remove /srv/seedbank.before-20260314t020305z
  kist kept --remove seedbank-failed-20260314t020305z
  kist kept --recover /srv/seedbank`,
		Action: a.kept,
	}
}

// keptEntry is something that is set aside, as scripts get it.
type keptEntry struct {
	Path    string    `json:"path,omitempty"` // of all but a container
	Raw     []byte    `json:"path_bytes,omitempty"`
	Kind    string    `json:"kind"` // previous, rescued, unfinished, torn or container
	Made    time.Time `json:"made"`
	Bytes   int64     `json:"bytes"`
	Proved  bool      `json:"proved"` // else only its name says so
	Removed bool      `json:"removed"`

	Container *keptContainer `json:"container,omitempty"`
}

// book is where it is noted what restores set aside.
func (a *app) book() kept.Book {
	folder, _ := places.State(a.getenv)
	return kept.Book{Folder: folder, Odd: a.warnOdd, Linked: a.warnLinked}
}

// warnOdd says, once, that lines of the book are passed over.
func (a *app) warnOdd(file string, lines []int) {
	if a.saidOdd {
		return
	}
	a.saidOdd = true
	numbers := make([]string, min(len(lines), 5))
	for i := range numbers {
		numbers[i] = strconv.Itoa(lines[i])
	}
	if len(lines) > len(numbers) {
		numbers = append(numbers, "…")
	}
	a.Warn("%s makes no sense at line %s, which is passed over: kist kept may not know of all that is set aside. A kill may leave such a line; kist kept DIR looks at a place that it may have named.",
		screen.Printable(file), strings.Join(numbers, ", "))
}

// warnLinked says that a place is not looked at.
func (a *app) warnLinked(place string, err error) {
	a.Warn("what may be set aside for %s is not listed: %s", screen.Printable(place), screen.Text(err.Error()))
}

// noteRestore is beginRestore for one that can't wait for others, nor fail: going back from an upgrade.
func (a *app) noteRestore(dir string) (aside func(volume.Identity) error, end func()) {
	aside, end, err := a.beginRestore(dir)
	if err == nil {
		return aside, end
	}
	if err := a.book().Note(paths.Absolute(dir)); err != nil {
		a.warnUnknown(dir, err)
	}
	return nil, func() {}
}

func (a *app) warnUnknown(dir string, err error) {
	a.Warn("kist kept will not know of what is set aside for %s: %s", screen.Printable(dir), screen.Line(err.Error()))
}

// beginRestore notes where a restore goes to, and what aside is told, and keeps others from it until end. It fails only where
// another is at work there.
func (a *app) beginRestore(dir string) (aside func(volume.Identity) error, end func(), err error) {
	work, err := a.book().Begin(paths.Absolute(dir))
	if errors.Is(err, kept.ErrBusy) {
		return nil, nil, err
	}
	if err != nil {
		a.warnUnknown(dir, err)
		return nil, func() {}, nil
	}
	warned := false
	aside = func(id volume.Identity) error {
		if err := work.Aside(id); err != nil && !warned {
			warned = true
			a.warnUnknown(dir, err)
		}
		return nil
	}
	return aside, func() { work.End() }, nil
}

func (a *app) kept(c *cli.Context) error {
	older := time.Duration(0)
	if c.IsSet("older") {
		var err error
		if older, err = cmdline.Duration(c.String("older")); err != nil {
			return usagef("--older %w", err)
		}
	}
	remove := c.Bool("remove")
	args := c.Args().Slice()
	switch {
	case c.Bool("accept-no-undo") && (!remove || len(args) == 0):
		return usagef("kept: --accept-no-undo goes with --remove and a CONTAINER")
	case c.Bool("recover") && (remove || c.IsSet("older")):
		return usagef("kept: --recover goes without --remove and --older")
	case c.Bool("by-name") && (!remove || len(args) == 0):
		return usagef("kept: --by-name goes with --remove and a PATH")
	case c.Bool("recover"):
		return a.recoverKept(absolute(args))
	}
	held, args, err := a.asideContainers(c.Context, args, remove)
	if err != nil {
		return err
	}
	given := absolute(args)
	named := len(c.Args().Slice()) > 0
	var found []kept.Found
	var failed error
	if remove && named {
		if found, failed = a.chooseAside(given); failed != nil {
			return failed
		}
	} else if found, failed = a.book().Find(given...); len(given) > 0 {
		failed = explainPlaces(failed)
	}
	if !remove && len(given) > 0 {
		found = slices.DeleteFunc(found, func(x kept.Found) bool { return !slices.ContainsFunc(given, x.At) })
	}
	now := time.Now()
	found = slices.DeleteFunc(found, func(x kept.Found) bool { return now.Sub(x.Made) < older })
	var entries []keptEntry
	for _, x := range found {
		e := keptEntry{Path: x.Path, Raw: members.RawName(x.Path), Kind: string(x.Kind), Made: x.Made, Bytes: sizeOf(x), Proved: x.Proved()}
		if remove {
			err := a.removeAside(&x, named, c.Bool("by-name"), now)
			e.Removed = err == nil
			if err != nil && !errors.Is(err, errLeft) {
				failed = errors.Join(failed, err)
			}
		}
		entries = append(entries, e)
	}
	held = slices.DeleteFunc(held, func(x upgrade.SetAside) bool { return now.Sub(x.Since) < older })
	containers := containerEntries(held)
	if remove {
		failed = errors.Join(failed, a.removeContainers(c.Context, held, containers, named, c.Bool("accept-no-undo")))
	}
	return errors.Join(a.printKept(entries, containers, remove), failed)
}

func absolute(args []string) (all []string) {
	for _, arg := range args {
		all = append(all, paths.Absolute(arg))
	}
	return all
}

// explainPlaces says of a place that can't be looked at which argument it is.
func explainPlaces(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return missing(fmt.Errorf("nothing can be set aside there, since the folder above is not there either: %w", err))
	}
	return err
}

// sizeOf gives how many bytes something has, as far as it can be looked through.
func sizeOf(x kept.Found) int64 {
	n, _ := trees.Size(x.Path)
	return n
}

func (a *app) printKept(entries, containers []keptEntry, remove bool) error {
	if a.JSON {
		return a.PrintJSON(orNone(append(entries, containers...)))
	}
	if len(entries)+len(containers) == 0 {
		a.Printf("Nothing is set aside.\n")
		return nil
	}
	return errors.Join(a.printPaths(entries, remove), a.printContainers(containers, remove))
}

// printPaths prints what is set aside in folders.
func (a *app) printPaths(entries []keptEntry, remove bool) error {
	total, shown, torn := int64(0), 0, 0
	lines := []string{"made\tkind\tsize\tpath"}
	for _, e := range entries {
		if !e.Removed && remove {
			continue
		}
		shown++
		kind := e.Kind
		if e.Kind == string(volume.AsideTorn) {
			torn++
		} else {
			total += e.Bytes
			if !e.Proved {
				kind += ", by name"
			}
		}
		lines = append(lines, fmt.Sprintf("%s\t%s\t%s\t%s", screen.LocalTime(e.Made), kind, screen.Size(uint64(e.Bytes)), screen.Printable(e.Path)))
	}
	if shown == 0 {
		return nil
	}
	if err := a.FitTable(lines, "path"); err != nil {
		return err
	}
	switch {
	case remove:
		a.Say("Removed %s, %s.", screen.Count(shown, "entry", "entries"), screen.Size(uint64(total)))
	case shown > torn:
		a.Say("%s in all. kist kept --remove removes it; look before you do.", screen.Size(uint64(total)))
	}
	if torn > 0 {
		a.Warn("what is torn may be the data that belongs in its place, and is never removed: kist kept --recover DIR puts it in order.")
	}
	return nil
}
