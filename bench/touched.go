package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/kistarchive/kist/store"
)

// touchedResult is what captures of touched trees took.
type touchedResult struct {
	Cases []touchedCase `json:"cases"`
}

type touchedCase struct {
	Touch     string   `json:"touch"`
	First     addition `json:"first"`
	Touched   addition `json:"touched"`
	Unchanged addition `json:"unchanged"`
}

func runTouched(ctx context.Context, s *setup, args []string) error {
	module := s.String("module", "golang.org/x/tools", "the newest release of the module `PATH`")
	input := s.String("input", "", "the tree in the tarball `FILE` instead")
	if err := s.parse(args); err != nil {
		return err
	}
	return s.measure(ctx, func(ctx context.Context) (result, error) {
		first, err := s.treeToTouch(ctx, *module, *input)
		if err != nil {
			return nil, err
		}
		var r touchedResult
		for i, t := range []struct {
			name string
			next touches
		}{
			{"one new time for all", oneTime()},
			{"a time of its own for each", eachItsTime(touchDate())},
		} {
			c, err := captureTouched(ctx, s.ways(), filepath.Join(s.folder, fmt.Sprintf("case-%d", i)), first, t.next)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", t.name, err)
			}
			c.Touch = t.name
			r.Cases = append(r.Cases, *c)
		}
		return r, nil
	})
}

// treeToTouch gives the tarball of a tree.
func (s *setup) treeToTouch(ctx context.Context, module, input string) (string, error) {
	if input != "" {
		return input, nil
	}
	s.progress("fetching the newest release of %s", module)
	releases, err := fetchReleases(ctx, filepath.Join(s.folder, "scratch"), module, 1)
	if err != nil {
		return "", err
	}
	file := filepath.Join(s.folder, "tree.tar")
	return file, releases[0].writeTarball(file)
}

func captureTouched(ctx context.Context, deltas store.Deltas, dir, first string, next touches) (*touchedCase, error) {
	r, err := createRepository(ctx, dir, deltas)
	if err != nil {
		return nil, err
	}
	if err := r.Close(); err != nil {
		return nil, err
	}
	made, touched := filepath.Join(dir, "made.tar"), filepath.Join(dir, "touched.tar")
	if err := retimeFile(made, first, eachItsTime(madeDate())); err != nil {
		return nil, err
	}
	if err := retimeFile(touched, first, next); err != nil {
		return nil, err
	}
	var c touchedCase
	for _, step := range []struct {
		label, file string
		a           *addition
	}{
		{"first", made, &c.First},
		{"touched", touched, &c.Touched},
		{"unchanged", touched, &c.Unchanged},
	} {
		if *step.a, err = addFile(ctx, dir, step.label, step.file, share{}); err != nil {
			return nil, err
		}
	}
	return &c, verify(ctx, dir)
}

func retimeFile(to, from string, next touches) error {
	f, err := os.Open(from)
	if err != nil {
		return err
	}
	defer f.Close()
	return writeFile(to, func(w io.Writer) error { return retime(w, f, next) })
}

func (r touchedResult) tables() (all []table) {
	for _, c := range r.Cases {
		t := table{title: "All members touched: " + c.Touch, head: []string{"", "tar bytes", "added", "of the first", "capture"}}
		for _, a := range []addition{c.First, c.Touched, c.Unchanged} {
			t.add(a.Label, count(a.TarBytes), count(a.Added), ratio(a.Added, c.First.Added), seconds(a.Seconds))
		}
		all = append(all, t)
	}
	return all
}

func (r touchedResult) goals() (all []goal) {
	for _, c := range r.Cases {
		all = append(all,
			goal{What: c.Touch + ": touched, of the first", Figure: 100 * quotient(c.Touched.Added, c.First.Added), AtMost: 2, Unit: " %"},
			goal{What: c.Touch + ": unchanged", Figure: float64(c.Unchanged.Added), AtMost: 16 << 10, Unit: " bytes"})
	}
	return all
}
