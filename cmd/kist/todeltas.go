package main

import (
	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// toDeltasFor is how long kist reclaim --to-deltas goes on where nothing is said: as long as nobody minds, by night or beside
// other work. Common practice, no source.
const toDeltasFor = "30m"

func toDeltasFlags() []cli.Flag {
	return []cli.Flag{
		&cli.BoolFlag{Name: "to-deltas", Usage: "also store anew, with deltas, what was captured without, or with own ones"},
		&cli.StringFlag{Name: "for", Usage: "`TIME`, as 30m or 8h, that --to-deltas goes on; 0 until all is done", Value: toDeltasFor},
	}
}

// toDeltasOptions reads what of reclaim is about that; nil: nothing is stored anew.
func toDeltasOptions(c *cli.Context) (*store.ToDeltasOptions, error) {
	if !c.Bool("to-deltas") {
		if c.IsSet("for") {
			return nil, usagef("--for says how long --to-deltas goes on, which is missing")
		}
		return nil, nil
	}
	d, err := cmdline.Duration(c.String("for"))
	if err != nil {
		return nil, usagef("--for %w", err)
	}
	return &store.ToDeltasOptions{For: d}, nil
}

// roomFor bounds what is stored anew by what is free where the repository lies.
func (a *app) roomFor(c *cli.Context, r *repository, o *store.ToDeltasOptions) {
	if free, known := a.available(c.Context, r); o != nil && known {
		o.Room = max(1, free)
	}
}

// anewLines tells what was stored anew, or would be.
func anewLines(d *store.ToDeltas, o *store.ToDeltasOptions, plan bool, out *store.Reclaimed) []string {
	if d == nil {
		return nil
	}
	var lines []string
	slabs := func(n int, bytes int64) string {
		return screen.Count(n, "slab", "slabs") + " of " + screen.Size(uint64(bytes))
	}
	if d.Slabs > 0 {
		line := "Stored " + slabs(d.Slabs, d.Bytes) + " anew with deltas: " + screen.Size(uint64(d.Written)) + " written"
		if less := d.Bytes - d.Written; less > 0 {
			line += ", " + screen.Size(uint64(less)) + " less"
			if out.Announced > 0 {
				line += " once the old ones are gone"
			}
		}
		lines = append(lines, line+".")
	}
	switch {
	case d.Left == 0 && d.Slabs == 0:
		lines = append(lines, "Nothing to store anew: all was captured with deltas on, or stored anew before.")
	case d.Left == 0:
		lines = append(lines, "All is stored anew.")
	case plan:
		line := "Would store " + slabs(d.Left, d.LeftBytes) + " anew with deltas. Until what they were is freed, that may take as much more"
		if o.Room > 0 {
			line += "; " + screen.Size(uint64(o.Room)) + " are free"
		}
		if d.NoRoom {
			line += ", and the first batch needs " + screen.Size(uint64(d.Needs))
		}
		lines = append(lines, line+".")
	case d.NoRoom:
		line := "Left for want of room: " + slabs(d.Left, d.LeftBytes) + ". kist reclaim --to-deltas goes on there where " + screen.Size(uint64(d.Needs)) + " are free"
		if out.Announced > 0 {
			line += "; run after the grace time, it first frees what others were"
		}
		lines = append(lines, line+".")
	default:
		lines = append(lines, "Left: "+slabs(d.Left, d.LeftBytes)+". kist reclaim --to-deltas goes on there.")
	}
	return lines
}
