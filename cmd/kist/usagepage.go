package main

import (
	"cmp"
	"context"
	"errors"
	"io"
	"slices"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/page"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

const (
	pageChanges = 8 // of a capture, that are shown
	pageLast    = 4 // names and hosts of whose last capture they are shown
)

// checkUsageFiles sees that no file is in the way before anything is read.
func checkUsageFiles(c *cli.Context) error {
	for _, name := range usageFiles {
		path := c.String(name)
		if path == "" || path == "-" {
			continue
		}
		if err := checkAbove(path); err != nil {
			return err
		}
		if c.Bool("overwrite") {
			continue
		}
		if err := files.MustBeFree(path); err != nil {
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
	err = write(c.String("csv"), func(w io.Writer) error { return writeUsageCSV(w, u) })
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
	path, err := a.repositoryPath()
	if err != nil {
		return nil, err
	}
	report := &page.Report{Usage: u, Repository: paths.Absolute(path), Name: c.String("name"), Host: a.host, Made: time.Now(), Zone: time.Local}
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
	report.Changes, err = lastChanges(c.Context, r, u)
	return report, err
}

// lastChanges compares the last capture of each name and host with the one before, the latest first.
func lastChanges(ctx context.Context, r *repository, u *store.Usage) (all []page.Changes, err error) {
	captures, err := r.Captures(ctx)
	if err != nil {
		return nil, err
	}
	chosen := make(map[string]bool)
	for _, c := range u.Captures {
		chosen[c.ID] = true
	}
	type service struct{ name, host string }
	pairs := make(map[service]*page.Changes)
	slices.SortStableFunc(captures, func(a, b *store.Capture) int { return a.Taken.Compare(b.Taken) })
	for _, c := range captures {
		if !chosen[c.ID] {
			continue
		}
		of := service{c.Name, c.Host}
		if pairs[of] == nil {
			pairs[of] = &page.Changes{}
		}
		pairs[of].Was, pairs[of].Is = pairs[of].Is, c
	}
	var last []*page.Changes
	for _, p := range pairs {
		if p.Was != nil {
			last = append(last, p)
		}
	}
	slices.SortFunc(last, func(a, b *page.Changes) int {
		return cmp.Or(b.Is.Taken.Compare(a.Is.Taken), cmp.Compare(b.Is.ID, a.Is.ID))
	})
	for _, p := range last[:min(len(last), pageLast)] {
		if err := findChanges(ctx, r, p); err != nil {
			return nil, err
		}
		all = append(all, *p)
	}
	return all, nil
}

// findChanges adds up what changed between two captures, and keeps the biggest changes.
func findChanges(ctx context.Context, r *repository, p *page.Changes) error {
	for d, err := range r.Compare(ctx, p.Was, p.Is, store.CompareOptions{}) {
		if errors.Is(err, store.ErrDamaged) {
			p.Unknown = true // the rest of the page is right all the same
			return nil
		}
		if err != nil {
			return err
		}
		p.Members++
		if d.Is == nil {
			p.Gone += d.Bytes
		} else {
			p.New += d.Bytes
		}
		p.Biggest = append(p.Biggest, d)
		if len(p.Biggest) >= 2*pageChanges {
			p.Biggest = biggest(p.Biggest)
		}
	}
	p.Biggest = biggest(p.Biggest)
	return nil
}

// biggest gives the changes of the most bytes, and of as many bytes the first.
func biggest(d []store.Difference) []store.Difference {
	slices.SortStableFunc(d, func(a, b store.Difference) int { return cmp.Compare(b.Bytes, a.Bytes) })
	return d[:min(len(d), pageChanges)]
}
