package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/drawer"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// oneOnly are the flags of a capture that mean nothing for many of old tarballs.
var oneOnly = []string{
	"taken", "before", "after", "from", "version-from", "container", "stop", "live", "include-readonly", "exclude-mount",
	"reread", "exclude", "skip-cache-folders", "cross-mounts", "accept-empty", "strict",
}

// eachUsage refuses what does not go with --each, or without it.
func eachUsage(c *cli.Context) error {
	if !c.Bool("each") {
		for _, flag := range []string{"name-pattern", "dry-run"} {
			if c.IsSet(flag) {
				return usagef("%s: --%s goes with --each", c.Command.HelpName, flag)
			}
		}
		return nil
	}
	for _, flag := range oneOnly {
		if c.IsSet(flag) {
			return usagef("%s: --%s and --each are both given", c.Command.HelpName, flag)
		}
	}
	return cmdline.WantArgs(c, 1, -1)
}

// The outcomes of a tarball.
const (
	outcomeTaken   = "taken in"
	outcomeThere   = "there" // already
	outcomeRefused = "refused"
	outcomeNone    = "not tried" // a dry run
)

// tarball is one of a drawer.
type tarball struct {
	File    string    `json:"file"`
	Bytes   int64     `json:"bytes"` // of the file
	Name    string    `json:"name"`
	Version string    `json:"version"`
	Taken   time.Time `json:"taken"`
	By      string    `json:"taken_by"` // "name" or "file": which of them says when
	Outcome string    `json:"outcome"`
	Capture string    `json:"capture,omitempty"` // that was made, or is there already
	Reason  string    `json:"reason,omitempty"`  // why it was refused
	Again   string    `json:"again,omitempty"`   // why it was taken in though a capture has its stream

	err   error
	added uint64 // by the capture
}

// eachJSON is what scripts get.
type eachJSON struct {
	Files  []*tarball `json:"files"`
	Drawer int64      `json:"drawer_bytes"`     // of the files that are in the repository now
	Stored uint64     `json:"repository_bytes"` // what the repository grew by for them
}

// emptying takes a drawer of old tarballs in.
type emptying struct {
	*capturing
	pattern *drawer.Pattern // nil: names are guessed at
	future  bool
	files   []*tarball
	there   *streams
}

// captureEach makes a capture of each of many files.
func (s *capturing) captureEach(c *cli.Context) error {
	e := &emptying{capturing: s, future: c.Bool("accept-future")}
	if c.IsSet("name-pattern") {
		var err error
		if e.pattern, err = drawer.ParsePattern(c.String("name-pattern")); err != nil {
			return err
		}
	}
	for _, file := range c.Args().Slice() {
		t, err := e.look(file)
		if err != nil {
			return err
		}
		e.files = append(e.files, t)
	}
	// The oldest first, as they would have been captured.
	slices.SortStableFunc(e.files, func(a, b *tarball) int { return cmp.Or(a.Taken.Compare(b.Taken), cmp.Compare(a.File, b.File)) })
	if c.Bool("dry-run") {
		return e.dryRun()
	}
	r, err := s.app.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	l, err := s.app.listing(c.Context, r)
	if err != nil {
		return err
	}
	e.there = newStreams(r.Repository, l.Captures)
	for _, t := range e.files {
		if err := e.take(c.Context, r, t); err != nil {
			return errors.Join(err, e.report(true))
		}
	}
	s.app.renewSlot(c.Context, r)
	return e.report(false)
}

// look reads a file's name, and refuses what is no tarball. It fails for one that is not there.
func (e *emptying) look(file string) (*tarball, error) {
	if file == "" {
		return nil, usagef("a source without a name: an argument is empty")
	}
	info, err := os.Stat(file)
	if errors.Is(err, os.ErrNotExist) {
		return nil, &cmdline.MissingError{What: "source", Path: file}
	}
	t := &tarball{File: file, Outcome: outcomeNone}
	if err != nil {
		t.refuse(err)
		return t, nil
	}
	t.Bytes, t.Taken, t.By = info.Size(), info.ModTime(), "file"
	if !info.Mode().IsRegular() {
		t.refuse(fmt.Errorf("%s", eachOfFolder(file, info)))
		return t, nil
	}
	said := drawer.Guess(filepath.Base(file), time.Local)
	if e.pattern != nil {
		if said, err = e.pattern.Read(filepath.Base(file), time.Local); err != nil {
			t.refuse(err)
			return t, nil
		}
	}
	if !said.Taken.IsZero() {
		t.Taken, t.By = said.Taken, "name"
	}
	t.Name, t.Version = cmp.Or(e.options.Name, said.Name), cmp.Or(e.options.Version, said.Version)
	zip, err := sources.IsZip(file)
	switch {
	case err != nil:
		t.refuse(err)
	case zip:
		t.refuse(fmt.Errorf("it is a zip archive, and no tar stream: unpack it into a folder, and capture that with --taken %s", t.Taken.Local().Format(time.DateOnly)))
	case e.pattern == nil && !isTar(file):
		t.refuse(fmt.Errorf("it is no tar stream, and might be anything: if it is a capture, a --name-pattern that fits its name says so"))
	case e.pattern == nil && said.Taken.IsZero() && drawer.Doubtful(filepath.Base(file)) != "":
		t.refuse(fmt.Errorf("its name has what may be a date, %s, and which day is meant is not guessed at: a --name-pattern such as '{name}-{day}.{month}.{year}' says so, or '{name}-*' that the file's time counts", drawer.Doubtful(filepath.Base(file))))
	case t.Name == "":
		t.refuse(fmt.Errorf("its name says no service: give --name or --name-pattern"))
	case !e.future && t.Taken.After(time.Now().Add(farAhead)):
		t.refuse(fmt.Errorf("its %s says %s, more than a day ahead: is that right? --accept-future takes it", t.By, screen.LocalTime(t.Taken)))
	}
	return t, nil
}

// eachOfFolder says what to do about what is no file.
func eachOfFolder(path string, info os.FileInfo) string {
	if !info.IsDir() {
		return "it is no file"
	}
	return fmt.Sprintf("it is no file: %s names the files in it; a folder as the data of a service is captured by itself, without --each",
		screen.ShellQuote(filepath.Clean(path))+"/*")
}

// isTar tells whether a file is a tar stream; one that can't be read counts as one until it is read.
func isTar(file string) bool {
	f, err := os.Open(file)
	if err != nil {
		return true
	}
	defer f.Close()
	return drawer.IsTar(f)
}

func (t *tarball) refuse(err error) {
	t.err, t.Outcome, t.Reason = err, outcomeRefused, err.Error()
}

// dryRun says what would be made of each name.
func (e *emptying) dryRun() error {
	if e.app.JSON {
		if err := e.app.PrintJSON(eachJSON{Files: e.files}); err != nil {
			return err
		}
		return e.refused()
	}
	for _, t := range e.files {
		e.app.Printf("%s\n    %s\n", screen.Printable(t.File), t.told())
	}
	e.app.Say("Nothing was read but names: what is in the repository already shows when it is read.")
	return e.refused()
}

// refused fails where something was refused.
func (e *emptying) refused() error {
	n := 0
	for _, t := range e.files {
		if t.err != nil {
			n++
		}
	}
	if n == 0 {
		return nil
	}
	return fmt.Errorf("%d of %s refused: see above", n, screen.Count(len(e.files), "file was", "files were"))
}

// told says what a tarball is taken for.
func (t *tarball) told() string {
	if t.err != nil {
		return "refused: " + screen.Line(t.Reason)
	}
	what := screen.Printable(t.Name)
	if t.Version != "" {
		what += " " + screen.Printable(t.Version)
	}
	by := map[string]string{"name": "name", "file": "time of modification"}[t.By]
	return fmt.Sprintf("%s, taken %s (by its %s)", what, screen.LocalTime(t.Taken), by)
}

// take takes a tarball in, unless it is there. It fails where the others could not be taken in
// either.
func (e *emptying) take(ctx context.Context, r *repository, t *tarball) error {
	if t.err != nil {
		return nil
	}
	sum, err := e.sum(ctx, t)
	var c *store.Capture
	if err == nil {
		c, t.Again, err = e.there.find(ctx, sum, t)
	}
	if c != nil {
		t.Outcome, t.Capture, t.added = outcomeThere, c.ID, c.Added
		e.app.Say("%s is there already, as %s.", screen.Line(t.File), c.ID)
		return nil
	}
	if err == nil {
		if t.Again != "" {
			e.app.Say("%s is captured though its stream is there: %s.", screen.Line(t.File), screen.Line(t.Again))
		}
		if err = e.capture(ctx, r, t); err == nil && t.Again != "" {
			err = e.checkAnew(ctx, t)
		}
	}
	var broken *storage.Error
	if ctx.Err() != nil || errors.As(err, &broken) || isOfRepository(err) {
		return err
	}
	if err != nil {
		t.refuse(err)
	}
	return nil
}

// checkAnew fails where a capture made anew shares what is damaged: it is only stored again once a repair has marked it.
func (e *emptying) checkAnew(ctx context.Context, t *tarball) error {
	harmed, err := e.there.isHarmed(ctx, &store.Capture{ID: t.Capture})
	if err == nil && harmed {
		err = fmt.Errorf("it was captured as %s, which shares what is damaged in the repository: keep the file, run kist repair, and then this again", t.Capture)
	}
	return err
}

// isOfRepository tells of an error that another tarball would meet, too.
func isOfRepository(err error) bool {
	for _, e := range []error{store.ErrBusy, store.ErrChanged, store.ErrDamaged, store.ErrOvertaken, store.ErrClosed} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

// sum gives the SHA-256 of a tarball's stream.
func (e *emptying) sum(ctx context.Context, t *tarball) (string, error) {
	f, err := os.Open(t.File)
	if err != nil {
		return "", err
	}
	defer f.Close()
	show, end := e.app.progress("reading " + filepath.Base(t.File))
	defer end()
	var seen func(int64)
	if show != nil {
		seen = func(n int64) { show(store.Progress{Bytes: n, Total: t.Bytes}) }
	}
	sum, err := drawer.Sum(ctx, f, e.options.AcceptUnfinished, seen)
	return sum, explainUnfinished(err)
}

// capture captures a tarball.
func (e *emptying) capture(ctx context.Context, r *repository, t *tarball) error {
	one := *e.capturing
	one.options.Name, one.options.Version, one.options.Taken = t.Name, t.Version, t.Taken
	if one.options.Note == "" {
		one.options.Note = filepath.Base(t.File)
	}
	one.options.Note = screen.Valid(one.options.Note)
	// Volumes of one name are compared with each other, whatever their files were called.
	one.sources = []*sources.Source{{Kind: sources.File, Path: t.File, Name: t.Name}}
	made, err := one.take(ctx, r, "capturing "+filepath.Base(t.File))
	if err != nil {
		return err
	}
	e.made = true
	t.Outcome, t.Capture, t.added = outcomeTaken, made.ID, made.Added
	e.there.note(made.Capture)
	held := made.held()
	v := &made.Volumes[0]
	if v.Unfinished != "" {
		e.app.Warn("%s is not complete: %s", screen.Line(t.File), screen.Text(v.Unfinished))
	}
	e.app.WarnAll(volumeWarnings(v))
	e.app.Say("%s: %s; the repository grew by %s%s.", screen.Line(t.File), t.told(), screen.Size(made.Added), volumeRemark(v, false))
	if !e.app.JSON {
		e.app.Printf("%s  %s\n", made.ID, screen.Printable(t.File))
	}
	return held
}

// report says what came of all, and fails where something was refused. cut tells that it ended
// before all were tried.
func (e *emptying) report(cut bool) error {
	counts := make(map[string]int)
	out := eachJSON{Files: e.files}
	seen := make(map[string]bool)
	for _, t := range e.files {
		counts[t.Outcome]++
		if t.err != nil {
			e.app.Warn("%s was not taken in: %s", screen.Line(t.File), screen.Text(t.Reason))
		}
		if t.Capture == "" {
			continue
		}
		out.Drawer += t.Bytes
		if !seen[t.Capture] {
			seen[t.Capture] = true
			out.Stored += t.added
		}
	}
	if e.app.JSON {
		if err := e.app.PrintJSON(out); err != nil {
			return err
		}
	}
	if n := counts[outcomeTaken] + counts[outcomeThere]; n > 0 {
		e.app.Say("%d taken in, %d there already, %d refused.", counts[outcomeTaken], counts[outcomeThere], counts[outcomeRefused])
		e.app.Say("In the drawer %s %s; in the repository %s: what it grew by for them.",
			screen.Count(n, "file takes", "files take"), screen.Size(uint64(out.Drawer)), screen.Size(out.Stored))
	}
	if cut {
		e.app.Say("Run it again for the others: what is there is passed over.")
		return nil
	}
	return e.refused()
}
