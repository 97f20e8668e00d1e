package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/dustin/go-humanize"

	"github.com/kistarchive/kist/store"
)

// setup is what every measurement has: its flags, where it works, and where it
// reports.
type setup struct {
	*flag.FlagSet
	out, log io.Writer
	parent   string // of the temporary folder
	json     string // file for the report
	deltas   string // of repositories: on, own or off
	share    share  // that the repository is on while capturing
	folder   string // the temporary folder, while begin's function runs
}

func newSetup(name string, out, log io.Writer) *setup {
	s := &setup{FlagSet: flag.NewFlagSet(name, flag.ContinueOnError), out: out, log: log}
	s.SetOutput(log)
	s.StringVar(&s.parent, "dir", "", "make the temporary folder in `DIR` (default: the system's)")
	s.StringVar(&s.json, "json", "", "write all figures to `FILE`, too")
	s.StringVar(&s.deltas, "deltas", "on", "`ON`, own or off: as of kist setup")
	return s
}

// share says how a repository is captured into.
type share struct {
	latency time.Duration // of a call
	forget  bool          // what this machine keeps of the repository goes after the first capture
}

// overShare adds the flags for it.
func (s *setup) overShare() {
	s.DurationVar(&s.share.latency, "latency", 0, "what a call of the repository takes while capturing, as on a slow share")
	s.BoolVar(&s.share.forget, "forget", false, "remove after the first capture what this machine keeps of the repository")
}

// oneStream adds the flag for it.
func (s *setup) oneStream() *bool {
	return s.Bool("one-stream", false, "compare with zstd -9 --long=31 of all tarballs, too")
}

// ways gives the way of deltas that is asked for.
func (s *setup) ways() store.Deltas {
	return map[string]store.Deltas{"on": store.DeltasOn, "own": store.DeltasOwn}[s.deltas]
}

// goal gives the one without deltas, or that with them.
func (s *setup) goal(without, with float64) float64 {
	if s.deltas == "on" {
		return with
	}
	return without
}

// parse reads the flags, and refuses anything else.
func (s *setup) parse(args []string) error {
	err := s.Parse(args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		return err
	case err != nil:
		return errUsage
	case s.deltas != "on" && s.deltas != "own" && s.deltas != "off":
		return s.wrong("-deltas %s: it is on, own or off", s.deltas)
	case s.NArg() > 0:
		return s.wrong("%q is no option", s.Arg(0))
	}
	return nil
}

// wrong explains wrong usage.
func (s *setup) wrong(format string, a ...any) error {
	fmt.Fprintf(s.log, "bench %s: %s\n", s.Name(), fmt.Sprintf(format, a...))
	return errUsage
}

// result is what a measurement found; it is also written as JSON.
type result interface {
	tables() []table
	goals() []goal
}

// measure runs f with a temporary folder and reports what it found.
func (s *setup) measure(ctx context.Context, f func(context.Context) (result, error)) (err error) {
	s.folder, err = os.MkdirTemp(s.parent, "kist-bench-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(s.folder)) }()
	r := report{Measurement: s.Name(), Machine: describeMachine(ctx, s.folder)}
	if r.Result, err = f(ctx); err != nil {
		return err
	}
	r.Goals = r.Result.goals()
	if s.json != "" {
		if err := r.writeJSON(s.json); err != nil {
			return err
		}
	}
	return r.print(s.out)
}

// progress tells a person what is being done.
func (s *setup) progress(format string, a ...any) { fmt.Fprintf(s.log, format+"\n", a...) }

// size is a flag in bytes, such as 512MiB.
type size int64

func (n *size) String() string { return humanize.IBytes(uint64(*n)) }

func (n *size) Set(text string) error {
	v, err := humanize.ParseBytes(text)
	if err == nil && (v == 0 || v > 1<<44) {
		err = errors.New("it is to be more than 0 and at most 16 TiB")
	}
	*n = size(v)
	return err
}
