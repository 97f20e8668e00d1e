package main

import (
	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/members"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) compareCommand() *cli.Command {
	return &cli.Command{
		Name:      "compare",
		Usage:     "list the members that differ between two captures",
		ArgsUsage: "CAPTURE CAPTURE",
		Description: `
Each line is a member of the second capture that was added (+) or changed (~: its
contents; .: its mode, owner, times or attributes alone), or one of the first that
is gone (-), and how many bytes of its contents the other capture has nowhere.
A file that was moved is gone in one place and added in another, with 0 bytes.

Example:
  kist compare 20260214 seedbank@latest` + timeHelp + rawNameHelp,
		Action: a.opening(2, 2, a.compare),
	}
}

// comparisonJSON is what scripts get.
type comparisonJSON struct {
	Was         string           `json:"was"`
	Is          string           `json:"is"`
	Differences []differenceJSON `json:"differences"`
}

func (a *app) compare(c *cli.Context, r *repository) error {
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
	t := &comparison{a: a, volumes: len(both[0].Volumes) > 1 || len(both[1].Volumes) > 1}
	out := comparisonJSON{both[0].ID, both[1].ID, []differenceJSON{}}
	for d, err := range r.Compare(c.Context, both[0], both[1]) {
		if err != nil {
			return err
		}
		if a.JSON {
			out.Differences = append(out.Differences, newDifferenceJSON(d))
			continue
		}
		t.print(d)
	}
	if a.JSON {
		return a.PrintJSON(out)
	}
	t.end()
	return nil
}

// differenceJSON is a difference as scripts get it.
type differenceJSON struct {
	Volume    string        `json:"volume"`
	Path      string        `json:"path"`
	PathBytes []byte        `json:"path_bytes,omitempty"`
	Was       *members.JSON `json:"was,omitempty"`
	Is        *members.JSON `json:"is,omitempty"`
	Contents  bool          `json:"contents"`
	Bytes     int64         `json:"bytes"`
}

func newDifferenceJSON(d store.Difference) differenceJSON {
	return differenceJSON{d.Volume, d.Path, members.RawName(d.Path), members.NewJSON(d.Was), members.NewJSON(d.Is), d.Contents, d.Bytes}
}

// comparison prints differences, and adds them up.
type comparison struct {
	a                    *app
	volumes              bool // are named
	added, changed, gone int
	newBytes, goneBytes  int64
}

func (t *comparison) print(d store.Difference) {
	mark := "~"
	switch {
	case d.Was == nil:
		mark = "+"
		t.added++
	case d.Is == nil:
		mark = "-"
		t.gone++
		t.goneBytes += d.Bytes
	default:
		if t.changed++; !d.Contents {
			mark = "."
		}
	}
	if d.Is != nil {
		t.newBytes += d.Bytes
	}
	path := screen.Printable(d.Path)
	if t.volumes {
		path = screen.Printable(d.Volume) + ": " + path
	}
	t.a.Printf("%s %s  %s\n", mark, screen.SizeCell(uint64(d.Bytes)), path)
}

func (t *comparison) end() {
	if t.added+t.changed+t.gone == 0 {
		t.a.Say("No member differs.")
		return
	}
	t.a.Say("%d added, %d changed, %d gone; %s new, %s gone.", t.added, t.changed, t.gone,
		screen.Size(uint64(t.newBytes)), screen.Size(uint64(t.goneBytes)))
}
