package main

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/kept"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store/volume"
)

// errLeft says that something stays, and that this was said.
var errLeft = errors.New("it stays")

// chooseAside gives what was found at some paths, each once, or is there though it was not noted.
func (a *app) chooseAside(given []string) (chosen []kept.Found, err error) {
	for _, path := range given {
		one, err := a.book().Named(path)
		if errors.Is(err, fs.ErrNotExist) {
			if one, err = a.book().Named(paths.Resolve(path)); errors.Is(err, fs.ErrNotExist) {
				return nil, missing(fmt.Errorf("%s is nothing that a restore set aside, nor is %s a container that an upgrade did (kist kept lists both): nothing is removed", screen.Line(path), screen.Line(filepath.Base(path))))
			}
		}
		if err != nil {
			return nil, err
		}
		if !slices.ContainsFunc(chosen, func(x kept.Found) bool { return x.Path == one.Path }) {
			chosen = append(chosen, *one)
		}
	}
	return chosen, nil
}

// removeAside removes something that was set aside. Where it stays since nothing proves what it is, that is an error if it was named,
// and else said.
func (a *app) removeAside(x *kept.Found, named, byName bool, now time.Time) error {
	err := a.book().Remove(x, byName, now)
	switch {
	case errors.Is(err, volume.ErrTorn):
		return fmt.Errorf("%w. kist kept --recover %s puts it in order", err, screen.ShellQuote(x.Target))
	case !errors.Is(err, kept.ErrUnproved) && !errors.Is(err, kept.ErrMayBeBuilt):
		return err
	case named:
		return fmt.Errorf("%w: it is not removed. Look at it; --by-name removes it on your word", err)
	}
	a.Warn("%s is left: %s. kist kept --remove --by-name %s removes it; look at it first.", screen.Printable(x.Path),
		screen.Text(errors.Unwrap(err).Error()), screen.Printable(screen.ShellQuote(x.Path)))
	return errLeft
}

// recoveredJSON is what was put in order at a place, as scripts get it.
type recoveredJSON struct {
	Path     string   `json:"path"`
	Outcome  string   `json:"outcome"`            // nothing, old-data-back or new-data-complete
	Previous string   `json:"previous,omitempty"` // where what was there before is kept
	Left     []string `json:"left"`               // what is unfinished, known by names alone
}

// recoverKept puts in order what killed restores left.
func (a *app) recoverKept(dirs []string) error {
	if len(dirs) == 0 {
		return usagef("kept: --recover which? Give the DIR that was restored into")
	}
	all := []recoveredJSON{}
	var failed []error
	for _, dir := range dirs {
		is, err := a.book().Recover(dir)
		if err != nil {
			failed = append(failed, fmt.Errorf("putting %s in order: %w", screen.Line(dir), err))
			continue
		}
		all = append(all, a.sayRecovered(dir, is))
	}
	var printed error
	if a.JSON {
		printed = a.PrintJSON(all)
	}
	return errors.Join(append(failed, printed)...)
}

func (a *app) sayRecovered(dir string, is *volume.Recovered) recoveredJSON {
	out := recoveredJSON{Path: filepath.Clean(dir), Outcome: "nothing", Previous: is.Previous, Left: orNone(is.Left)}
	text := "nothing was torn"
	switch {
	case is.Completed:
		out.Outcome = "new-data-complete"
		text = "what was restored is wholly in its place; what was there before is kept as " + screen.Printable(is.Previous)
	case is.Undone:
		out.Outcome = "old-data-back"
		text = "what was there before the restore is back in its place"
	}
	if !a.JSON {
		a.Printf("%s: %s.\n", screen.Printable(out.Path), text)
	}
	for _, left := range is.Left {
		a.Say("%s is unfinished, and stays: kist kept tells of it.", screen.Printable(left))
	}
	return out
}
