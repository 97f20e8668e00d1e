package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/members"
	"github.com/kistarchive/kist/cmd/kist/internal/pattern"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

func (a *app) compareCommand() *cli.Command {
	return &cli.Command{
		Name:      "compare",
		Usage:     "list the members that differ between two captures",
		ArgsUsage: "CAPTURE CAPTURE",
		Flags: []cli.Flag{
			&cli.BoolFlag{Name: "summary", Usage: "print totals alone"},
			&cli.StringSliceFlag{Name: "only", Usage: "only members that fit `PATTERN`; may be given several times"},
			&cli.StringFlag{Name: "changes", Usage: "only members with one of these `KINDS` of change, such as added,contents"},
			&cli.BoolFlag{Name: "folder-times", Usage: "also folders of which only the time differs"},
			&cli.StringFlag{Name: "text", Usage: "print line by line how the text of `MEMBER` differs, as diff -u does"},
			&cli.StringFlag{Name: "volume", Usage: "with --text: MEMBER is in the volume `NAME`"},
		},
		Description: `
Each line is a member of the second capture that was added (+) or changed (~: its
contents; .: something else alone, which is named), or one of the first that
is gone (-), and how many bytes of its contents the other capture has nowhere.
A file that was moved is gone in one place and added in another, with 0 bytes.
A folder whose only change is its time is left out: making or removing something
in a folder changes it.

KINDS are one or more, separated by commas, of added, gone, contents, type, link,
mode, owner, time, attributes.

--text prints the difference as patch takes it. It is for texts of at most 1 MiB.

` + patternHelp + `

Example:
  kist compare 20260214 seedbank@latest
  kist compare 20260214 seedbank@latest --only config --changes contents,mode
  kist compare 20260214 seedbank@latest --text config/seedbank.toml` + timeHelp + rawNameHelp,
		Action: a.compare,
	}
}

// comparisonJSON is what scripts get.
type comparisonJSON struct {
	Was         string                 `json:"was"`
	Is          string                 `json:"is"`
	Totals      store.DifferenceTotals `json:"totals"`
	Differences *[]differenceJSON      `json:"differences,omitempty"` // left out with --summary
}

func (a *app) compare(c *cli.Context) error {
	wanted, err := compareUsage(c)
	if err != nil {
		return err
	}
	o := store.CompareOptions{Wanted: wanted.Match, FolderTimes: c.Bool("folder-times")}
	if c.IsSet("changes") {
		if o.Changes, err = store.ParseChanges(c.String("changes")); err != nil {
			return err
		}
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	l, err := a.listing(c.Context, r)
	if err != nil {
		return err
	}
	var both [2]*store.Capture
	for i := range both {
		if both[i], err = a.meant(l, c.Args().Get(i)); err != nil {
			return err
		}
	}
	if c.IsSet("text") {
		return withDamage(l, a.compareText(c, r, both[0], both[1]))
	}
	if c.IsSet("only") {
		if err := checkPatterns(c.Context, r, wanted, allVolumes(both[:]...)); err != nil {
			return err
		}
	}
	t := &comparison{a: a, volumes: len(both[0].Volumes) > 1 || len(both[1].Volumes) > 1, summary: c.Bool("summary")}
	for d, err := range r.Compare(c.Context, both[0], both[1], o) {
		if err != nil {
			return sayGone(c.Context, r, err)
		}
		t.add(d)
	}
	return withDamage(l, t.end(both[0], both[1]))
}

// sayGone adds to an error about contents that can't be found that the slab they are in is missing.
func sayGone(ctx context.Context, r *repository, err error) error {
	if errors.Is(err, storage.ErrNotFound) { // it says so
		return err
	}
	for _, object := range store.DamagedObjects(err) {
		if _, gone := r.at.Objects.Stat(ctx, object); errors.Is(gone, storage.ErrNotFound) {
			return fmt.Errorf("%w: the file is missing in the repository", err)
		}
	}
	return err
}

// withDamage adds to what came of a comparison that others may have been meant: captures whose index files can't be read.
func withDamage(l *store.Listing, err error) error {
	if err == nil && l.Damage != nil { // said by listing already
		return &statusError{statusDamage, fmt.Errorf("index files can't be read: of the captures named above, none could be compared, or be the latest")}
	}
	return err
}

// compareUsage holds what was asked for against itself, and gives the patterns.
func compareUsage(c *cli.Context) (*pattern.Set, error) {
	if err := cmdline.WantArgs(c, 2, 2); err != nil {
		return nil, err
	}
	if !c.IsSet("text") {
		if c.IsSet("volume") {
			return nil, usagef("compare: --volume goes with --text")
		}
		return pattern.New(c.StringSlice("only"))
	}
	for _, flag := range []string{"summary", "only", "changes", "folder-times"} {
		if c.IsSet(flag) {
			return nil, usagef("compare: --%s and --text are both given", flag)
		}
	}
	return pattern.New(nil)
}

// differenceJSON is a difference as scripts get it.
type differenceJSON struct {
	Volume    string        `json:"volume"`
	Path      string        `json:"path"`
	PathBytes []byte        `json:"path_bytes,omitempty"`
	Was       *members.JSON `json:"was,omitempty"`
	Is        *members.JSON `json:"is,omitempty"`
	Contents  bool          `json:"contents"`
	Changes   []string      `json:"changes"`
	Bytes     int64         `json:"bytes"`
}

func newDifferenceJSON(d store.Difference) differenceJSON {
	return differenceJSON{
		d.Volume, d.Path, members.RawName(d.Path), members.NewJSON(d.Was), members.NewJSON(d.Is), d.Contents, d.Changes.Words(), d.Bytes,
	}
}

// comparison prints differences, and adds them up.
type comparison struct {
	a       *app
	volumes bool // are named
	summary bool
	totals  store.DifferenceTotals
	found   []differenceJSON
}

func (t *comparison) add(d store.Difference) {
	t.totals.Add(d)
	switch {
	case t.summary:
	case t.a.JSON:
		t.found = append(t.found, newDifferenceJSON(d))
	default:
		t.print(d)
	}
}

func (t *comparison) print(d store.Difference) {
	mark, more := "~", ""
	switch {
	case d.Was == nil:
		mark = "+"
	case d.Is == nil:
		mark = "-"
	case !d.Contents:
		mark, more = ".", "  ("+d.Changes.String()+")"
	}
	path := screen.Printable(d.Path)
	if t.volumes {
		path = screen.Printable(d.Volume) + ": " + path
	}
	t.a.Printf("%s %s  %s%s\n", mark, screen.SizeCell(uint64(d.Bytes)), path, more)
}

func (t *comparison) end(was, is *store.Capture) error {
	n := t.totals
	switch {
	case t.a.JSON:
		out := comparisonJSON{Was: was.ID, Is: is.ID, Totals: n}
		if !t.summary {
			t.found = orNone(t.found)
			out.Differences = &t.found
		}
		return t.a.PrintJSON(out)
	case t.summary:
		return t.a.Table(totalLines(was, is, n))
	case n.Members() == 0:
		t.a.Say("No member differs.")
	default:
		t.a.Say("%d added, %d changed, %d gone; %s new, %s gone.", n.Added, n.Changed, n.Gone,
			screen.Size(uint64(n.NewBytes)), screen.Size(uint64(n.GoneBytes)))
	}
	return nil
}

// totalLines is the table of totals.
func totalLines(was, is *store.Capture, n store.DifferenceTotals) []string {
	count := func(n int) string { return screen.Count(n, "member", "members") }
	lines := make([]string, 0, 6)
	for _, c := range []*store.Capture{was, is} {
		lines = append(lines, c.ID+"\t"+screen.Count(c.Members, "member", "members")+"\t"+screen.Size(c.Bytes))
	}
	return append(lines,
		"added\t"+count(n.Added)+"\t",
		"changed\t"+count(n.Changed)+"\t"+screen.Count(n.Contents, "of them in its contents", "of them in their contents"),
		"new\t\t"+screen.Size(uint64(n.NewBytes)),
		"gone\t"+count(n.Gone)+"\t"+screen.Size(uint64(n.GoneBytes)))
}
