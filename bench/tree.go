package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
)

// treeResult compares captures of an unchanged tree with what only looks at it.
type treeResult struct {
	Files  int     `json:"files"`
	Bytes  int64   `json:"tree_bytes"`
	First  int64   `json:"first_bytes"`     // on disk after the first capture
	Added  int64   `json:"unchanged_bytes"` // by the last unchanged one
	Trials []trial `json:"trials"`
}

// maxTreePeak is the memory, in bytes, that no capture or restore of a tree of up to a
// million files may exceed.
const maxTreePeak = 400 << 20

// statFields are what find prints of each file: the fields by which kist tells
// whether it changed.
const statFields = `%p %s %T@ %C@ %i %D %m %U %G\n`

func runTree(ctx context.Context, s *setup, args []string) error {
	files := s.Int("files", 100_000, "how many")
	runs := s.Int("runs", 5, "how often")
	if err := s.parse(args); err != nil {
		return err
	}
	if *files < 1 || *runs < 1 {
		return s.wrong("-files and -runs: at least 1")
	}
	return s.measure(ctx, func(ctx context.Context) (result, error) {
		r := &treeRace{setup: s}
		r.Files = *files
		return r.run(ctx, *runs)
	})
}

type treeRace struct {
	*setup
	treeResult
}

func (r *treeRace) run(ctx context.Context, runs int) (result, error) {
	tree := filepath.Join(r.folder, "tree")
	r.progress("making a tree of %d files", r.Files)
	var err error
	if r.Bytes, err = makeTree(tree, r.Files); err != nil {
		return nil, err
	}
	dir := filepath.Join(r.folder, "repository-of-tree")
	repository, err := createRepository(ctx, dir, r.ways())
	if err != nil {
		return nil, err
	}
	if err := repository.Close(); err != nil {
		return nil, err
	}
	ours, err := child("-repository", dir, "-folder", tree)
	if err != nil {
		return nil, err
	}
	find := command{args: []string{"find", tree, "-printf", statFields}}
	tarred := []command{
		{args: []string{"tar", "-c", "-f", "-", "-C", tree, "."}},
		{args: []string{"zstd", "-q", "-3", "-T2", "-c"}},
	}
	first := trial{What: "first capture", With: "tar c, zstd -3 -T2"}
	if err := first.inTurn(ctx, true, []command{ours}, tarred); err != nil {
		return nil, err
	}
	if r.First, err = folderLength(dir); err != nil {
		return nil, err
	}
	again := trial{What: "unchanged capture", With: "find -printf", Goal: 1 / 2.5}
	whole := trial{What: "unchanged capture", With: "tar c, zstd -3 -T2"}
	for n := range runs {
		r.progress("run %d of %d", n+1, runs)
		if err := again.inTurn(ctx, n%2 == 0, []command{ours}, []command{find}); err != nil {
			return nil, err
		}
		if err := whole.inTurn(ctx, true, nil, tarred); err != nil {
			return nil, err
		}
	}
	whole.Kist = again.Kist
	restored, err := r.restored(ctx, dir, tree, runs)
	if err != nil {
		return nil, err
	}
	now, err := folderLength(dir)
	if err != nil {
		return nil, err
	}
	r.Added = (now - r.First) / int64(runs)
	for _, t := range []trial{first, again, whole, restored} {
		t.Ratio = t.Other.Median / t.Kist.Median
		t.Work = t.Other.Work / t.Kist.Work
		r.Trials = append(r.Trials, t)
	}
	return r.treeResult, verify(ctx, dir)
}

// restored restores the tree by turns with zstd -d and tar x.
func (r *treeRace) restored(ctx context.Context, dir, tree string, runs int) (trial, error) {
	t := trial{What: "restore", With: "zstd -d, tar x"}
	file, into, other := filepath.Join(r.folder, "tree.tar.zst"), filepath.Join(r.folder, "restored"), filepath.Join(r.folder, "extracted")
	if _, err := runPipeline(ctx,
		command{args: []string{"tar", "-c", "-f", "-", "-C", tree, "."}},
		command{args: []string{"zstd", "-q", "-3", "-T2", "-o", file}},
	); err != nil {
		return t, err
	}
	ours, err := child("-repository", dir, "-into", into)
	if err != nil {
		return t, err
	}
	theirs := []command{
		{args: []string{"zstd", "-q", "-d", "-c", file}},
		{args: []string{"tar", "-x", "-p", "-f", "-", "-C", other}},
	}
	for n := range runs {
		r.progress("restoring, run %d of %d", n+1, runs)
		if err := os.Mkdir(other, 0o755); err != nil {
			return t, err
		}
		if err := t.inTurn(ctx, n%2 == 0, []command{ours}, theirs); err != nil {
			return t, err
		}
		if _, err := runCommand(ctx, command{args: []string{"diff", "-r", into, other}}); err != nil {
			return t, err
		}
		if err := errors.Join(os.RemoveAll(into), os.RemoveAll(other)); err != nil {
			return t, err
		}
	}
	return t, nil
}

// makeTree makes a tree of small files, 100 in a folder, and gives the sum of
// their lengths.
func makeTree(dir string, files int) (n int64, err error) {
	r := newRand("tree")
	var b []byte
	for i := range files {
		folder := filepath.Join(dir, strconv.Itoa(i/10_000), strconv.Itoa(i/100%100))
		if i%100 == 0 {
			if err := os.MkdirAll(folder, 0o755); err != nil {
				return n, err
			}
		}
		b = b[:0]
		for length := 100 + r.IntN(4000); len(b) < length; {
			b = appendSettingLine(r, b)
		}
		n += int64(len(b))
		if err := os.WriteFile(filepath.Join(folder, fmt.Sprintf("%06d.toml", i)), b, 0o644); err != nil {
			return n, err
		}
	}
	return n, nil
}

func (r treeResult) tables() (all []table) {
	t := table{
		title: fmt.Sprintf("A tree of %d files, %s bytes", r.Files, count(r.Bytes)),
		head:  []string{"", "time", "speed ratio", "cpu time", "peak memory"},
	}
	for _, one := range r.Trials {
		t.add(one.What, seconds(one.Kist.Median), number(one.Ratio), seconds(one.Kist.Work), count(one.Kist.Peak))
		t.add("  "+one.With, seconds(one.Other.Median), "", seconds(one.Other.Work), count(one.Other.Peak))
	}
	return []table{t}
}

func (r treeResult) goals() (all []goal) {
	peak := int64(0)
	for _, t := range r.Trials {
		peak = max(peak, t.Kist.Peak)
		if t.Goal > 0 {
			all = append(all, goal{What: "unchanged capture, of the time of " + t.With, Figure: 1 / t.Ratio, AtMost: 1 / t.Goal})
		}
	}
	return append(all,
		goal{What: "unchanged capture added", Figure: float64(r.Added), AtMost: 16 << 10, Unit: " bytes"},
		goal{What: "peak memory", Figure: float64(peak), AtMost: maxTreePeak, Unit: " bytes"},
	)
}
