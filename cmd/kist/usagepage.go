package main

import (
	"context"
	"errors"
	"io"
	"slices"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/page"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

const (
	pageChanges = 8 // of a capture, that are shown
	pageLast    = 4 // names and hosts of whose last capture they are shown
)

// usageKinds is what usage files are told by.
var usageKinds = map[string]kindOfFile{
	"page": {"a page", "<!doctype html"}, "picture": {"a picture as SVG", "<svg"}, "csv": {"figures of kist usage", "of,id,name,"},
}

// checkUsageFiles sees that no file is in the way before anything is read, and that none is another one's, too.
func (a *app) checkUsageFiles(c *cli.Context) error {
	var flags, named []string
	for _, name := range usageFiles {
		if path := c.String(name); path != "" && path != "-" {
			flags, named = append(flags, "--"+name), append(named, path)
		}
	}
	if err := areApart(flags, named); err != nil {
		return err
	}
	for i, path := range named {
		err := a.checkWritten(c, path)
		if err == nil {
			err = checkAbove(path)
		}
		if err == nil && c.Bool("overwrite") {
			err = mustBeOfKind(path, usageKinds[flags[i][len("--"):]])
		} else if err == nil {
			err = files.MustBeFree(path)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// writeUsage writes the files that were asked for, and tells whether any was.
func (a *app) writeUsage(c *cli.Context, r *repository, u *store.Usage) (written bool, err error) {
	write := func(path string, write func(io.Writer) error) error {
		if path == "" || err != nil {
			return err
		}
		written = true
		if path == "-" {
			return write(a.Out)
		}
		if err := files.Write(path, c.Bool("overwrite"), write); err != nil {
			return err
		}
		a.Say("Wrote %s.", screen.Printable(path))
		return nil
	}
	err = write(c.String("csv"), func(w io.Writer) error { return writeUsageCSV(w, u, a.lapsed.missing()) })
	if c.String("page") == "" && c.String("picture") == "" || err != nil {
		return written, err
	}
	report, err := a.pageReport(c, r, u)
	if err != nil {
		return written, err
	}
	err = write(c.String("page"), func(w io.Writer) error { return page.Write(w, report) })
	err = write(c.String("picture"), func(w io.Writer) error { return page.WritePicture(w, report) })
	return written, err
}

// pageReport gives what a page shows. The rules, if there are any, are those of the command line.
func (a *app) pageReport(c *cli.Context, r *repository, u *store.Usage) (*page.Report, error) {
	report := &page.Report{Usage: u, Repository: r.at.Full(), Name: c.String("name"), Host: a.host, Made: time.Now(), Zone: time.Local, Gaps: a.usageGaps(u)}
	if c.Bool("utc") {
		report.Zone = time.UTC
	}
	if slices.ContainsFunc(ruleFlags, c.IsSet) {
		p, err := a.planRetirement(c, r)
		if err != nil {
			return nil, err
		}
		report.Decisions, report.Rules = p.decisions, rulesText(c)
	}
	if c.String("page") == "" {
		return report, nil
	}
	changes, err := lastChanges(c.Context, r, u)
	report.Changes = changes
	return report, err
}

// lastChanges compares the last capture of each name and host with the one before, the latest first.
func lastChanges(ctx context.Context, r *repository, u *store.Usage) (all []page.Changes, err error) {
	var captures []*store.Capture
	for _, c := range u.Captures {
		captures = append(captures, c.Capture)
	}
	pairs := store.LatestPairs(captures, time.Now())
	for _, p := range pairs[:min(len(pairs), pageLast)] {
		s, err := store.Summarize(r.Compare(ctx, p.Was, p.Is, store.CompareOptions{}), pageChanges)
		damaged := errors.Is(err, store.ErrDamaged) // the rest of the page is right all the same
		if err != nil && !damaged {
			return nil, err
		}
		all = append(all, page.Changes{CapturePair: p, DifferenceSummary: s, Unknown: damaged})
	}
	return all, nil
}
