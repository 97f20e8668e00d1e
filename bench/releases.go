package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// seriesResult is what captures of several states of something took.
type seriesResult struct {
	Series []series `json:"series"`
}

type series struct {
	Title     string     `json:"title"`
	Captures  []addition `json:"captures"`
	Stored    int64      `json:"stored_bytes"`                    // everything in the repository's folder
	OneStream int64      `json:"one_stream_zstd_bytes,omitempty"` // of all tarballs under zstd -9 --long=31
	Verify    float64    `json:"verify_seconds"`                  // every byte
	Thinned   *thinned   `json:"thinned,omitempty"`
	Harm      *harm      `json:"harm,omitempty"`
	Anew      *anew      `json:"stored_anew,omitempty"`
	AtMost    float64    `json:"-"` // the goal for stored/alone; 0: none
	Thin      float64    `json:"-"` // that for what is left after thinning out, of a fresh repository
}

func runReleases(ctx context.Context, s *setup, args []string) error {
	modules := s.String("module", "golang.org/x/tools", "modules, with commas between `PATHS`")
	n := s.Int("count", 16, "how many of the newest releases")
	one := s.oneStream()
	keep := s.Int("thin", 0, "retire all but every `N`-th, and reclaim")
	s.overShare()
	toDeltas := s.Bool("to-deltas", false, "with -deltas off: store all anew with deltas afterwards")
	if err := s.parse(args); err != nil {
		return err
	}
	if *toDeltas && (s.deltas != "off" || *keep > 0) {
		return s.wrong("-to-deltas is for -deltas off, and not beside -thin")
	}
	if *n < 1 || *keep < 0 {
		return s.wrong("-count %d, -thin %d: at least 1, and at least 0", *n, *keep)
	}
	return s.measure(ctx, func(ctx context.Context) (result, error) {
		var all seriesResult
		for i, module := range strings.Split(*modules, ",") {
			dir := filepath.Join(s.folder, fmt.Sprintf("module-%d", i))
			one, err := s.captureReleases(ctx, dir, module, *n, *keep, *one, *toDeltas)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", module, err)
			}
			all.Series = append(all.Series, *one)
		}
		return all, nil
	})
}

func (s *setup) captureReleases(ctx context.Context, dir, module string, n, keep int, oneStream, toDeltas bool) (*series, error) {
	s.progress("fetching %d releases of %s", n, module)
	releases, err := fetchReleases(ctx, filepath.Join(s.folder, "scratch"), module, n)
	if err != nil {
		return nil, err
	}
	w, err := newSeriesWriter(ctx, s, dir, "Releases of "+module)
	if err != nil {
		return nil, err
	}
	for _, r := range releases {
		if err := w.add(ctx, r.Version, r.writeTarball); err != nil {
			return nil, err
		}
	}
	w.AtMost = s.goal(0.21, 0.115)
	all, err := w.finish(ctx, oneStream)
	if err == nil && keep > 0 {
		w.progress("thinning out")
		all.Thinned, err = w.thin(ctx, keep)
	}
	if err == nil && toDeltas {
		w.progress("storing anew with deltas")
		all.Anew, err = w.storeAnew(ctx)
	}
	return all, err
}

// seriesWriter captures one tarball after the other into a fresh repository.
type seriesWriter struct {
	*setup
	series
	dir      string
	tarballs []string
	newest   string // id of the capture
}

func newSeriesWriter(ctx context.Context, s *setup, dir, title string) (*seriesWriter, error) {
	r, err := createRepository(ctx, dir, s.ways())
	if err != nil {
		return nil, err
	}
	return &seriesWriter{setup: s, series: series{Title: title, Thin: s.goal(1.05, 1.1)}, dir: dir}, r.Close()
}

// add captures the tarball that write puts into a new file.
func (w *seriesWriter) add(ctx context.Context, label string, write func(file string) error) error {
	file := filepath.Join(w.dir, fmt.Sprintf("%03d.tar", len(w.tarballs)))
	if err := write(file); err != nil {
		return fmt.Errorf("%s: writing its tarball: %w", label, err)
	}
	w.tarballs = append(w.tarballs, file)
	a, err := addFile(ctx, w.dir, label, file, w.share)
	if err != nil {
		return err
	}
	w.newest = a.ID
	if w.share.forget && len(w.tarballs) == 1 {
		if err := errors.Join(os.RemoveAll(filepath.Join(w.dir, "cache")), os.RemoveAll(filepath.Join(w.dir, "state"))); err != nil {
			return err
		}
	}
	if a.Alone, err = zstdFileLength(ctx, file); err != nil {
		return err
	}
	w.Captures = append(w.Captures, a)
	w.progress("%s: %s bytes added for %s of tar", label, count(a.Added), count(a.TarBytes))
	return nil
}

func (w *seriesWriter) finish(ctx context.Context, oneStream bool) (_ *series, err error) {
	if w.Stored, err = folderLength(filepath.Join(w.dir, "repository")); err != nil {
		return nil, err
	}
	begin := time.Now()
	if err := verify(ctx, w.dir); err != nil {
		return nil, err
	}
	w.Verify = time.Since(begin).Seconds()
	if oneStream {
		w.progress("compressing all of it as one stream")
		w.OneStream, err = oneStreamLength(ctx, w.tarballs)
	}
	return &w.series, err
}

// oneStreamLength gives the length of all files in one stream under zstd with a
// window of 2 GiB.
func oneStreamLength(ctx context.Context, files []string) (int64, error) {
	var all []io.Reader
	for _, name := range files {
		f, err := os.Open(name)
		if err != nil {
			return 0, err
		}
		defer f.Close()
		all = append(all, f)
	}
	return zstdLength(ctx, io.MultiReader(all...), "-9", "--long=31")
}

// total sums the captures up.
func (s *series) total() addition {
	t := addition{Label: "total"}
	for _, a := range s.Captures {
		t.TarBytes += a.TarBytes
		t.Alone += a.Alone
		t.Added += a.Added
		t.Read += a.Read
		t.Calls += a.Calls
		t.Seconds += a.Seconds
		t.Restore += a.Restore
	}
	return t
}

func (r seriesResult) tables() (all []table) {
	for _, s := range r.Series {
		all = append(all, s.table(), s.totals())
		if s.Thinned != nil {
			all = append(all, s.Thinned.table())
		}
		if s.Harm != nil {
			all = append(all, s.Harm.table())
		}
		if s.Anew != nil {
			all = append(all, s.Anew.table())
		}
	}
	return all
}

func (s *series) table() table {
	t := table{title: s.Title, head: []string{"", "tar bytes", "zstd -3", "added", "added/zstd", "read", "calls", "capture", "restore"}}
	for _, a := range append(s.Captures[:len(s.Captures):len(s.Captures)], s.total()) {
		t.add(a.Label, count(a.TarBytes), count(a.Alone), count(a.Added), ratio(a.Added, a.Alone), count(a.Read), count(a.Calls),
			seconds(a.Seconds), seconds(a.Restore))
	}
	return t
}

func (s *series) totals() table {
	t := table{title: s.Title + ": space", head: []string{"", "bytes", "of zstd -3"}}
	alone := s.total().Alone
	t.add("every tarball alone, zstd -3", count(alone), ratio(alone, alone))
	t.add("repository, everything on disk", count(s.Stored), ratio(s.Stored, alone))
	if s.OneStream > 0 {
		t.add("one stream, zstd -9 --long=31", count(s.OneStream), ratio(s.OneStream, alone))
	}
	t.add("all restored identical; verified in full in " + seconds(s.Verify))
	return t
}

func (r seriesResult) goals() (all []goal) {
	for _, s := range r.Series {
		if s.AtMost > 0 {
			all = append(all, goal{
				What:   s.Title + ": stored, of every tarball alone under zstd -3",
				Figure: quotient(s.Stored, s.total().Alone), AtMost: s.AtMost,
			})
		}
		if t := s.Thinned; t != nil {
			all = append(all, goal{What: s.Title + ": after reclaiming, of a fresh repository", Figure: quotient(t.After, t.Fresh), AtMost: s.Thin})
		}
		if a := s.Anew; a != nil {
			all = append(all, goal{What: s.Title + ": stored anew with deltas, of a fresh repository", Figure: quotient(a.After, a.Fresh), AtMost: 1.1})
		}
	}
	return all
}
