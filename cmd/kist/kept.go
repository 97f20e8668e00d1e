package main

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/kept"
	"github.com/kistarchive/kist/cmd/kist/internal/members"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/places"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/trees"
	"github.com/kistarchive/kist/store/volume"
)

func (a *app) keptCommand() *cli.Command {
	return &cli.Command{
		Name:      "kept",
		Usage:     "list what restores set aside on this machine, or remove it",
		ArgsUsage: "[DIR…], or --remove [PATH…]",
		Flags: []cli.Flag{
			&cli.BoolFlag{Name: "remove", Usage: "remove for good the PATHs, as they are listed; without one all that is listed"},
			&cli.StringFlag{Name: "older", Usage: "only what was set aside `TIME` ago or earlier, as 36h, 7d or 2w"},
		},
		Description: `
A restore keeps what it replaces under a dated name, NAME.before-DATE, or .before-DATE in
a mount point. Of damaged data it builds what is whole beside what lives, as
NAME.rescued-DATE. A restore that was killed leaves an unfinished tree, NAME.new-….

kist remembers where it restored to on this machine, and looks there. With DIR it looks
at these places as well, such as those that an earlier release restored into. No repository is
needed. Captures leave out what is set aside in a mount point.

--remove leaves alone an unfinished tree that changed within the last day, unless its PATH is
given: a restore may be at work.

Example:
  kist kept
  kist kept --remove --older 2w
  kist kept --remove /srv/seedbank.before-20260314t020305z`,
		Action: a.kept,
	}
}

// keptEntry is something that is set aside, as scripts get it.
type keptEntry struct {
	Path    string    `json:"path"`
	Raw     []byte    `json:"path_bytes,omitempty"`
	Kind    string    `json:"kind"` // previous, rescued or unfinished
	Made    time.Time `json:"made"`
	Bytes   int64     `json:"bytes"`
	Removed bool      `json:"removed"`
}

// book is where it is noted what restores set aside.
func (a *app) book() kept.Book {
	folder, _ := places.State(a.getenv)
	return kept.Book{Folder: folder}
}

// noteRestore notes where a restore goes to, before it does.
func (a *app) noteRestore(dir string) {
	if err := a.book().Note(paths.Absolute(dir)); err != nil {
		a.Warn("kist kept will not know of what is set aside for %s: %s", screen.Printable(dir), screen.Line(err.Error()))
	}
}

func (a *app) kept(c *cli.Context) error {
	older := time.Duration(0)
	if c.IsSet("older") {
		var err error
		if older, err = cmdline.Duration(c.String("older")); err != nil {
			return usagef("--older %w", err)
		}
	}
	var given []string
	for _, arg := range c.Args().Slice() {
		given = append(given, paths.Absolute(arg))
	}
	var targets []string
	if !c.Bool("remove") {
		targets = given
	}
	found, failed := a.book().Find(targets...)
	if c.Bool("remove") && len(given) > 0 {
		var err error
		if found, err = chooseAside(found, given); err != nil {
			return err
		}
	}
	now := time.Now()
	found = slices.DeleteFunc(found, func(x volume.Aside) bool { return now.Sub(x.Made) < older })
	var entries []keptEntry
	for _, x := range found {
		e := keptEntry{Path: x.Path, Raw: members.RawName(x.Path), Kind: string(x.Kind), Made: x.Made, Bytes: sizeOf(x)}
		if c.Bool("remove") {
			if len(given) == 0 && kept.MayBeBuilt(x, now) {
				a.Warn("%s is left: a restore may be building it. Name it to remove it.", screen.Printable(x.Path))
			} else if err := volume.RemoveAside(x); err != nil {
				failed = errors.Join(failed, err)
			} else {
				e.Removed = true
			}
		}
		entries = append(entries, e)
	}
	return errors.Join(a.printKept(entries, c.Bool("remove")), failed)
}

// chooseAside gives what was found at some paths, or is there though it was not noted.
func chooseAside(found []volume.Aside, given []string) (chosen []volume.Aside, err error) {
	for _, path := range given {
		i := slices.IndexFunc(found, func(x volume.Aside) bool { return x.Path == path || x.Path == paths.Resolve(path) })
		if i >= 0 {
			chosen = append(chosen, found[i])
			continue
		}
		one, err := volume.AsideNamed(path)
		if errors.Is(err, fs.ErrNotExist) {
			return nil, missing(fmt.Errorf("%s is nothing that a restore set aside (kist kept lists it): it is not removed", screen.Line(path)))
		}
		if err != nil {
			return nil, err
		}
		chosen = append(chosen, one)
	}
	return chosen, nil
}

// sizeOf gives how many bytes something has, as far as it can be looked through.
func sizeOf(x volume.Aside) int64 {
	n, _ := trees.Size(x.Path)
	return n
}

func (a *app) printKept(entries []keptEntry, remove bool) error {
	if a.JSON {
		return a.PrintJSON(orNone(entries))
	}
	if len(entries) == 0 {
		a.Printf("Nothing is set aside.\n")
		return nil
	}
	total, removed := int64(0), 0
	lines := []string{"made\tkind\tsize\tpath"}
	for _, e := range entries {
		if e.Removed || !remove {
			total += e.Bytes
			removed++
			lines = append(lines, fmt.Sprintf("%s\t%s\t%s\t%s", screen.LocalTime(e.Made), e.Kind, screen.Size(uint64(e.Bytes)), screen.Printable(e.Path)))
		}
	}
	if removed == 0 {
		return nil
	}
	if err := a.Table(lines); err != nil {
		return err
	}
	if remove {
		a.Say("Removed %s, %s.", screen.Count(removed, "entry", "entries"), screen.Size(uint64(total)))
	} else {
		a.Say("%s in all. kist kept --remove removes it; look before you do.", screen.Size(uint64(total)))
	}
	return nil
}
