package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// growthResult is what operations take in a repository that grows.
type growthResult struct {
	VolumeBytes int64         `json:"volume_bytes"`
	Files       int           `json:"files"`
	Latency     float64       `json:"latency_seconds"` // of a call
	Points      []growthPoint `json:"points"`
	Together    []float64     `json:"ratios"` // of each operation, the last point to the first, by CPU time
}

// growthPoint is a repository of some size.
type growthPoint struct {
	Captures int               `json:"captures"`
	Objects  map[string]int    `json:"objects"` // by folder
	Stored   int64             `json:"stored_bytes"`
	Trials   []*growthMeasured `json:"trials"`
}

// growthMeasured is what an operation takes.
type growthMeasured struct {
	What   string           `json:"what"`
	Took   samples          `json:"took"`
	Calls  int64            `json:"calls"`  // of the protocol, the most of all runs, with those that open the repository
	Counts map[string]int64 `json:"counts"` // of them, by what they ask for
	Read   int64            `json:"read_bytes"`
	Slow   float64          `json:"seconds_over_share"`
	Added  int64            `json:"added_bytes"` // by a capture, the most of all runs
}

func runGrowth(ctx context.Context, s *setup, args []string) error {
	bytes := size(32 << 20)
	s.Var(&bytes, "size", "the volume has `SIZE` bytes")
	files := s.Int("files", 400, "the volume has that many files")
	sizes := s.String("captures", "10,100,1000", "the numbers of captures to measure at")
	runs := s.Int("runs", 9, "runs of each operation")
	latency := s.Duration("latency", 20*time.Millisecond, "what a call takes on the slow share")
	if err := s.parse(args); err != nil {
		return err
	}
	var points []int
	for _, text := range strings.Split(*sizes, ",") {
		var n int
		if _, err := fmt.Sscan(text, &n); err != nil || n < 1 || len(points) > 0 && n <= points[len(points)-1] {
			return s.wrong("-captures %s: it is to be rising numbers", *sizes)
		}
		points = append(points, n)
	}
	if *runs < 1 || *files < 1 {
		return s.wrong("-runs and -files are to be more than none")
	}
	return s.measure(ctx, func(ctx context.Context) (result, error) {
		g := &growth{s: s, volume: filepath.Join(s.folder, "volume"), cache: filepath.Join(s.folder, "cache"), runs: *runs, files: *files, latency: *latency}
		return g.run(ctx, int64(bytes), points)
	})
}

// growth is one run of the measurement.
type growth struct {
	s             *setup
	volume, cache string
	runs, files   int
	latency       time.Duration
	rand          *rand.ChaCha8
	state         int   // of the volume
	added         int64 // by the last capture
	grown
}

func (g *growth) run(ctx context.Context, length int64, points []int) (*growthResult, error) {
	g.rand = rand.NewChaCha8([32]byte{1})
	r := &growthResult{VolumeBytes: length, Files: g.files, Latency: g.latency.Seconds()}
	if err := os.MkdirAll(g.volume, 0o755); err != nil {
		return nil, err
	}
	for i := range g.files {
		if err := g.write(i, int(length)/g.files); err != nil {
			return nil, err
		}
	}
	made, err := newGrown(ctx, g.s.ways())
	if err != nil {
		return nil, err
	}
	g.grown = *made
	var all []*grown
	done := 0
	for _, n := range points {
		g.s.progress("making %d captures", n)
		for ; done < n; done++ {
			if err := g.change(); err != nil {
				return nil, err
			}
			g.clock = g.clock.Add(time.Hour)
			g.set()
			if err := g.with(ctx, g.share(), g.cache, g.captureFolder(ctx)); err != nil {
				return nil, err
			}
		}
		all = append(all, g.fork(0))
		if err := copyTrees(known(g.cache), known(filepath.Join(g.s.folder, fmt.Sprint("known", n)))); err != nil {
			return nil, err
		}
		p := growthPoint{Captures: n, Objects: map[string]int{}}
		infos, err := g.objects(ctx)
		if err != nil {
			return nil, err
		}
		for _, info := range infos {
			p.Objects[topFolder(info.Name)]++
			p.Stored += info.Size
		}
		r.Points = append(r.Points, p)
	}
	return r, g.measureAll(ctx, r, all)
}

func topFolder(name string) string {
	for {
		dir := filepath.Dir(name)
		if dir == "." {
			return name
		}
		name = dir
	}
}

// write writes a file anew.
func (g *growth) write(i, length int) error {
	b := make([]byte, length)
	g.rand.Read(b)
	path := filepath.Join(g.volume, fmt.Sprintf("d%02d", i%20), fmt.Sprintf("f%03d", i))
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	return g.put(path, b)
}

func (g *growth) put(path string, b []byte) error {
	if err := os.WriteFile(path, b, 0o644); err != nil {
		return err
	}
	at := time.Date(2026, 1, 1, 0, 0, g.state, 0, time.UTC)
	return os.Chtimes(path, at, at)
}

// change changes a 4 KiB page of one file.
func (g *growth) change() error {
	g.state++
	i := g.state % g.files
	path := filepath.Join(g.volume, fmt.Sprintf("d%02d", i%20), fmt.Sprintf("f%03d", i))
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	at := int(g.rand.Uint64() % uint64(max(1, len(b)-4096)))
	g.rand.Read(b[at:min(len(b), at+4096)])
	return g.put(path, b)
}

func (g *growth) captureFolder(ctx context.Context) func(*store.Repository) error {
	return g.capture(ctx, store.VolumeInput{Name: "data", Source: g.volume, Folder: &store.FolderInput{Path: g.volume}})
}

func (g *growth) capture(ctx context.Context, v store.VolumeInput) func(*store.Repository) error {
	return func(r *store.Repository) error {
		c, err := r.Capture(ctx, store.CaptureOptions{Name: "seedbank", Host: "hazel", Taken: g.clock, Volumes: []store.VolumeInput{v}})
		if err == nil {
			g.added = int64(c.Added)
		}
		return err
	}
}

// operation is something to measure.
type operation struct {
	what   string
	cold   bool                          // without a cache that knows anything
	change bool                          // one file changes before
	before func(*store.Repository) error // what is done first; nil: nothing
	do     func(*store.Repository) error
}

func (g *growth) operations(ctx context.Context) ([]operation, error) {
	var tar bytes.Buffer
	if _, err := volume.WriteTar(ctx, &tar, g.volume, volume.ReadOptions{}); err != nil {
		return nil, err
	}
	stream := g.capture(ctx, store.VolumeInput{Name: "data", Open: func(context.Context) (io.ReadCloser, error) {
		return io.NopCloser(bytes.NewReader(tar.Bytes())), nil
	}})
	list := func(r *store.Repository) error { _, err := r.Captures(ctx); return err }
	retire := func(r *store.Repository) error {
		all, err := r.Captures(ctx)
		if err != nil {
			return err
		}
		var ids []string
		for _, c := range all[:len(all)/10] {
			ids = append(ids, c.ID)
		}
		return r.Retire(ctx, ids, store.MarkOptions{})
	}
	return []operation{
		{"capture, unchanged folder", false, false, nil, g.captureFolder(ctx)},
		{"capture, one page changed", false, true, nil, g.captureFolder(ctx)},
		{"capture, unchanged stream", false, false, stream, stream},
		{"capture, unchanged folder, new machine", true, false, nil, g.captureFolder(ctx)},
		{"list", false, false, nil, list},
		{"list, new machine", true, false, nil, list},
		{"usage", false, false, nil, func(r *store.Repository) error { _, err := r.Usage(ctx); return err }},
		{"verify, quick", false, false, nil, func(r *store.Repository) error {
			report, err := r.Verify(ctx, store.VerifyOptions{})
			if err == nil && !report.OK {
				err = fmt.Errorf("damage: %+v", report.Damage)
			}
			return err
		}},
		{"retire a tenth", false, false, nil, retire},
		{"reclaim it, without waits", false, false, retire, func(r *store.Repository) error {
			_, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace})
			return err
		}},
	}, nil
}

// measureAll measures the operations on all sizes by turns.
func (g *growth) measureAll(ctx context.Context, r *growthResult, all []*grown) error {
	ops, err := g.operations(ctx)
	if err != nil {
		return err
	}
	for i := range r.Points {
		for _, o := range ops {
			r.Points[i].Trials = append(r.Points[i].Trials, &growthMeasured{What: o.what})
		}
	}
	for run := range g.runs + 1 {
		g.s.progress("run %d of %d", run+1, g.runs+1)
		for n, o := range ops {
			for i, at := range all {
				slow := run == g.runs
				if err := g.trial(ctx, o, r.Points[i].Captures, at, r.Points[i].Trials[n], run, slow); err != nil {
					return fmt.Errorf("%s at %d captures: %w", o.what, r.Points[i].Captures, err)
				}
			}
		}
	}
	for n := range ops {
		first, last := r.Points[0].Trials[n], r.Points[len(r.Points)-1].Trials[n]
		r.Together = append(r.Together, last.Took.Work/max(first.Took.Work, 1e-9))
	}
	return nil
}

// trial measures an operation once, on a copy of the repository that has a capture
// of the volume as it is.
func (g *growth) trial(ctx context.Context, o operation, captures int, at *grown, m *growthMeasured, run int, slow bool) error {
	one := at.fork(time.Hour)
	sh := one.share()
	g.clock = one.clock
	cache := filepath.Join(g.s.folder, "warm")
	if err := copyTrees(known(filepath.Join(g.s.folder, fmt.Sprint("known", captures))), known(cache)); err != nil {
		return err
	}
	err := one.with(ctx, sh, cache, func(r *store.Repository) error {
		if _, err := r.Captures(ctx); err != nil { // so that all are in the cache
			return err
		}
		if err := g.captureFolder(ctx)(r); err != nil || o.before == nil {
			return err
		}
		return o.before(r)
	})
	if err != nil {
		return err
	}
	one = one.fork(time.Hour)
	sh, g.clock = one.share(), one.clock
	if o.change {
		if err := g.change(); err != nil {
			return err
		}
	}
	if o.cold {
		cache = filepath.Join(g.s.folder, "cold")
		if err := removeTrees(known(cache)); err != nil {
			return err
		}
	}
	if slow {
		sh.SetLatency(g.latency)
	}
	runtime.GC() // of the copies
	g.added = 0
	begin, cpu := time.Now(), cpuTime()
	if err := one.with(ctx, sh, cache, o.do); err != nil {
		return err
	}
	took := usage{time: time.Since(begin), cpu: cpuTime() - cpu}
	m.Added = max(m.Added, g.added)
	if calls := sh.Calls(); calls > m.Calls {
		m.Calls, m.Counts = calls, sh.Counts()
	}
	m.Read = max(m.Read, sh.Read())
	switch {
	case slow:
		m.Slow = took.time.Seconds()
	case run > 0: // the first run warms up
		m.Took.add(took)
	}
	return nil
}

func (r *growthResult) tables() []table {
	held := table{title: "The repository", head: []string{"captures", "index files", "tables", "slabs", "stored bytes"}}
	for _, p := range r.Points {
		held.add(count(p.Captures), count(p.Objects["captures"]), count(p.Objects["tables"]), count(p.Objects["slabs"]), count(p.Stored))
	}
	t := table{
		title: fmt.Sprintf("A volume of %s bytes in %d files; over the share a call takes %.0f ms", count(r.VolumeBytes), r.Files, 1000*r.Latency),
		head:  []string{"", "captures", "time", "CPU", "calls", "bytes read", "over the share", "added"},
	}
	for n := range r.Points[0].Trials {
		for _, p := range r.Points {
			m := p.Trials[n]
			t.add(m.What, count(p.Captures), milliseconds(m.Took.Median), milliseconds(m.Took.Work), count(m.Calls), count(m.Read), seconds(m.Slow), count(m.Added))
		}
	}
	return []table{held, t}
}

func milliseconds(s float64) string { return fmt.Sprintf("%.1f ms", 1000*s) }

func (r *growthResult) goals() (all []goal) {
	last := r.Points[len(r.Points)-1]
	for n, m := range last.Trials[:3] {
		first := r.Points[0].Trials[n]
		what := fmt.Sprintf("%s: %d captures to %d", m.What, last.Captures, r.Points[0].Captures)
		all = append(all,
			goal{What: what + ", time", Figure: m.Took.Median / max(first.Took.Median, 1e-9), AtMost: 1.1},
			goal{What: what + ", CPU time", Figure: r.Together[n], AtMost: 1.1})
	}
	for _, n := range []int{0, 2} {
		m := last.Trials[n]
		all = append(all,
			goal{What: m.What + ": calls", Figure: float64(m.Calls), AtMost: 100},
			goal{What: m.What + ": added", Figure: float64(m.Added), AtMost: 16 << 10, Unit: " bytes"})
	}
	for _, m := range last.Trials {
		if most := overShare[m.What]; most > 0 {
			all = append(all, goal{What: m.What + ": over the share", Figure: m.Slow, AtMost: most, Unit: " s"})
		}
	}
	return all
}

// overShare is how long operations may take over the share, in seconds.
var overShare = map[string]float64{
	"capture, unchanged folder": 3, "capture, unchanged stream": 3, "list": 2, "list, new machine": 2,
	"usage": 10, "verify, quick": 15, "retire a tenth": 5, "reclaim it, without waits": 30,
}
