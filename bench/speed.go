package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
)

// maxPeak is the memory, in bytes, that no operation may exceed.
const maxPeak = 256 << 20

// speedResult compares the times of kist and of zstd.
type speedResult struct {
	Input      string  `json:"input"`
	InputBytes int64   `json:"input_bytes"`
	ZstdBytes  int64   `json:"zstd_bytes"`      // of the input under zstd -3
	First      int64   `json:"first_bytes"`     // on disk after the first capture
	Again      int64   `json:"unchanged_bytes"` // added by the unchanged one
	Trials     []trial `json:"trials"`
}

// trial is one operation and what it is compared with.
type trial struct {
	What  string  `json:"what"`
	Kist  samples `json:"kist"`
	With  string  `json:"with"`
	Other samples `json:"other"`
	Ratio float64 `json:"speed_ratio"` // of the medians; more than 1: kist is faster
	Work  float64 `json:"cpu_ratio"`   // the same of the CPU time
	Goal  float64 `json:"goal,omitempty"`
}

// samples are what the runs of one operation took.
type samples struct {
	Seconds []float64 `json:"seconds"`
	Median  float64   `json:"median_seconds"`
	CPU     []float64 `json:"cpu_seconds"` // of all cores together
	Work    float64   `json:"median_cpu_seconds"`
	Peak    int64     `json:"peak_bytes"` // of all runs
}

func (s *samples) add(u usage) {
	s.Seconds = append(s.Seconds, u.time.Seconds())
	s.Median = median(s.Seconds)
	s.CPU = append(s.CPU, u.cpu.Seconds())
	s.Work = median(s.CPU)
	s.Peak = max(s.Peak, u.peak)
}

func median(all []float64) float64 {
	sorted := slices.Sorted(slices.Values(all))
	n := len(sorted)
	if n == 0 {
		return 0
	}
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

func runSpeed(ctx context.Context, s *setup, args []string) error {
	bytes := size(1 << 30)
	s.Var(&bytes, "size", "about how long a tar stream")
	input := s.String("input", "", "the tarball `FILE` instead")
	runs := s.Int("runs", 3, "how often")
	null := s.Bool("null", false, "throw streams away that zstd or a restore writes, instead of writing files")
	profile := s.String("cpuprofile", "", "run all once more, and write profiles into the folder `DIR`")
	if err := s.parse(args); err != nil {
		return err
	}
	if *runs < 1 {
		return s.wrong("-runs %d: at least 1", *runs)
	}
	return s.measure(ctx, func(ctx context.Context) (result, error) {
		r := &race{setup: s, input: *input, null: *null}
		r.Input = *input
		if r.input == "" {
			r.Input = "a service's volume: tables 50 %, logs 20 %, pictures 25 %, small files 5 %"
			r.input = filepath.Join(s.folder, "input.tar")
			s.progress("writing %s of input", bytes.String())
			if err := writeFile(r.input, func(w io.Writer) error { return writeVolume(w, int64(bytes)) }); err != nil {
				return nil, err
			}
		}
		return r.run(ctx, *runs, *profile)
	})
}

// race runs kist and others in turn.
type race struct {
	*setup
	speedResult
	input string
	null  bool
	first, again, stream,
	folder trial
}

func (r *race) run(ctx context.Context, runs int, profile string) (result, error) {
	info, err := os.Stat(r.input)
	if err != nil {
		return nil, err
	}
	r.InputBytes = info.Size()
	r.first = trial{What: "first capture", With: "zstd -3 -T2", Goal: 0.8}
	r.again = trial{What: "unchanged capture", With: "zstd -3 -T2", Goal: 2}
	r.stream = trial{What: "restore, as a stream", With: "zstd -d", Goal: 1}
	r.folder = trial{What: "restore, into a folder", With: "zstd -d, tar x", Goal: 1}
	for n := range runs {
		r.progress("run %d of %d", n+1, runs)
		if err := r.once(ctx, n); err != nil {
			return nil, err
		}
	}
	if profile != "" {
		if err := r.profile(ctx, profile); err != nil {
			return nil, err
		}
	}
	for _, t := range []*trial{&r.first, &r.again, &r.stream, &r.folder} {
		t.Ratio = t.Other.Median / t.Kist.Median
		t.Work = t.Other.Work / t.Kist.Work
		r.Trials = append(r.Trials, *t)
	}
	return r.speedResult, nil
}

// once runs all trials once, in a folder of its own.
func (r *race) once(ctx context.Context, n int) error {
	dir := filepath.Join(r.setup.folder, fmt.Sprintf("run-%d", n))
	repository, err := createRepository(ctx, dir, r.ways())
	if err != nil {
		return err
	}
	if err := repository.Close(); err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	steps := []func(context.Context, string, bool) error{r.runFirst, r.runAgain, r.runStream, r.runFolder}
	for _, step := range steps {
		if err := step(ctx, dir, n%2 == 0); err != nil {
			return err
		}
	}
	if n > 0 {
		return nil
	}
	return verify(ctx, dir)
}

// inTurn runs ours and theirs, ours first or last, and adds what they took.
func (t *trial) inTurn(ctx context.Context, oursFirst bool, ours, theirs []command) error {
	both := []struct {
		commands []command
		to       *samples
	}{{ours, &t.Kist}, {theirs, &t.Other}}
	if !oursFirst {
		slices.Reverse(both)
	}
	for _, one := range both {
		if one.commands == nil {
			continue
		}
		settleDisk()
		u, err := runPipeline(ctx, one.commands...)
		if err != nil {
			return fmt.Errorf("%s: %w", t.What, err)
		}
		one.to.add(u)
	}
	return nil
}

const compressedName = "input.tar.zst"

func (r *race) runFirst(ctx context.Context, dir string, oursFirst bool) error {
	ours, err := child("-repository", dir, "-capture", r.input)
	if err != nil {
		return err
	}
	file := filepath.Join(dir, compressedName)
	theirs := command{args: []string{"zstd", "-q", "-f", "-3", "-T2", r.input, "-o", r.sink(file)}}
	if err := r.first.inTurn(ctx, oursFirst, []command{ours}, []command{theirs}); err != nil {
		return err
	}
	r.again.Other = r.first.Other
	if r.null { // it is needed to be read from
		theirs.args[len(theirs.args)-1] = file
		if _, err := runCommand(ctx, theirs); err != nil {
			return err
		}
	}
	info, err := os.Stat(file)
	if err != nil {
		return err
	}
	r.ZstdBytes = info.Size()
	r.First, err = folderLength(filepath.Join(dir, "repository"))
	return err
}

// sink gives the file, or the one that throws away what is written to it.
func (r *race) sink(file string) string {
	if r.null {
		return os.DevNull
	}
	return file
}

func (r *race) runAgain(ctx context.Context, dir string, _ bool) error {
	ours, err := child("-repository", dir, "-capture", r.input)
	if err != nil {
		return err
	}
	if err := r.again.inTurn(ctx, true, []command{ours}, nil); err != nil {
		return err
	}
	now, err := folderLength(filepath.Join(dir, "repository"))
	r.Again = now - r.First
	return err
}

func (r *race) runStream(ctx context.Context, dir string, oursFirst bool) error {
	file := filepath.Join(dir, "restored.tar")
	ours, err := child("-repository", dir, "-stream", r.sink(file))
	if err != nil {
		return err
	}
	other := filepath.Join(dir, "decompressed.tar")
	theirs := command{args: []string{"zstd", "-q", "-f", "-d", filepath.Join(dir, compressedName), "-o", r.sink(other)}}
	if err := r.stream.inTurn(ctx, oursFirst, []command{ours}, []command{theirs}); err != nil || r.null {
		return err
	}
	if err := compareFiles(r.input, file); err != nil {
		return err
	}
	return os.Remove(other)
}

func (r *race) runFolder(ctx context.Context, dir string, oursFirst bool) error {
	into, other := filepath.Join(dir, "restored"), filepath.Join(dir, "extracted")
	ours, err := child("-repository", dir, "-into", into)
	if err != nil {
		return err
	}
	if err := os.Mkdir(other, 0o755); err != nil {
		return err
	}
	theirs := []command{
		{args: []string{"zstd", "-q", "-d", "-c", filepath.Join(dir, compressedName)}},
		{args: []string{"tar", "-x", "-p", "-f", "-", "-C", other}},
	}
	if err := r.folder.inTurn(ctx, oursFirst, []command{ours}, theirs); err != nil {
		return err
	}
	return compareByTar(ctx, r.input, into)
}

// profile runs every operation of ours once more, not counted, and writes CPU
// profiles into a folder.
func (r *race) profile(ctx context.Context, folder string) error {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	dir := filepath.Join(r.setup.folder, "profiled")
	repository, err := createRepository(ctx, dir, r.ways())
	if err != nil {
		return err
	}
	if err := repository.Close(); err != nil {
		return err
	}
	for _, one := range []struct{ name, option, argument string }{
		{"first", "-capture", r.input},
		{"unchanged", "-capture", r.input},
		{"stream", "-stream", r.sink(filepath.Join(dir, "restored.tar"))},
		{"folder", "-into", filepath.Join(dir, "restored")},
	} {
		r.progress("profiling %s", one.name)
		file := filepath.Join(folder, one.name+".prof")
		ours, err := child("-repository", dir, one.option, one.argument, "-cpuprofile", file)
		if err != nil {
			return err
		}
		if _, err := runCommand(ctx, ours); err != nil {
			return err
		}
	}
	return nil
}

func (s *samples) row(what string, bytes int64, ratio, work string) []string {
	return []string{what, seconds(s.Median), speed(bytes, s.Median), ratio, seconds(s.Work), work, count(s.Peak)}
}

func (r speedResult) tables() []table {
	title := fmt.Sprintf("Speed, on %s bytes: %s", count(r.InputBytes), r.Input)
	t := table{title: title, head: []string{"", "time", "", "speed ratio", "cpu time", "cpu ratio", "peak memory"}}
	for _, one := range r.Trials {
		t.add(one.Kist.row(one.What, r.InputBytes, fmt.Sprintf("%.2f", one.Ratio), fmt.Sprintf("%.2f", one.Work))...)
		t.add(one.Other.row("  "+one.With, r.InputBytes, "", "")...)
	}
	space := table{title: "Space", head: []string{"", "bytes", "of zstd -3"}}
	space.add("zstd -3", count(r.ZstdBytes), ratio(r.ZstdBytes, r.ZstdBytes))
	space.add("repository after the first capture", count(r.First), ratio(r.First, r.ZstdBytes))
	space.add("added by the unchanged capture", count(r.Again), ratio(r.Again, r.ZstdBytes))
	return []table{t, space}
}

func (r speedResult) goals() (all []goal) {
	for _, t := range r.Trials {
		if t.Goal > 0 {
			all = append(all, goal{What: t.What + ", of the speed of " + t.With, Figure: t.Ratio, AtLeast: t.Goal})
		}
		all = append(all, goal{What: t.What + ", peak memory", Figure: float64(t.Kist.Peak), AtMost: maxPeak, Unit: " bytes"})
	}
	return append(all, goal{What: "unchanged capture added", Figure: float64(r.Again), AtMost: 16 << 10, Unit: " bytes"})
}
