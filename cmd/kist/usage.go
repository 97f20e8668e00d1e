package main

import (
	"context"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) usageCommand() *cli.Command {
	return &cli.Command{
		Name:  "usage",
		Usage: "tell what the captures cost, each and all together",
		Description: `
size is the length of the captured streams, added what the repository grew by when
the capture was made, alone what only this capture keeps today: about what would
be free without it. The bars show alone. Retired captures are not in the list, and
what they keep counts as nobody's: it is part of what kist reclaim
would free. That is less where only a small part of a slab is not needed.

Example:
  kist usage
  kist usage --json`,
		Action: a.opening(0, 0, a.usage),
	}
}

func (a *app) usage(c *cli.Context, r *repository) error {
	u, err := r.Usage(c.Context)
	if err != nil {
		return err
	}
	retired, err := a.countRetired(c.Context, r)
	if err != nil {
		return err
	}
	if a.JSON {
		for i := range u.Captures {
			u.Captures[i].Capture = withoutLaunch(withoutSecrets(u.Captures[i].Capture))
		}
		return a.PrintJSON(usageJSON{u, retired})
	}
	if len(u.Captures) > 0 {
		if err := a.Table(usageLines(u)); err != nil {
			return err
		}
	}
	a.Printf("%s of %s in %s: %s", screen.Count(len(u.Captures), "capture", "captures"), screen.Size(uint64(u.Captured)),
		screen.Count(u.Slabs, "slab", "slabs"), screen.Size(uint64(u.Stored)))
	if u.Captured > 0 {
		a.Printf(" on disk, %.1f%% of the streams", 100*float64(u.Stored)/float64(u.Captured))
	}
	a.Printf("\n")
	if u.Reclaimable > 0 {
		a.Printf("kist reclaim would free about %s, once the grace time has passed", screen.Size(uint64(u.Reclaimable)))
		if retired > 0 {
			a.Printf(" (%s: kist list --retired)", screen.Count(retired, "retired capture", "retired captures"))
		}
		a.Printf(".\n")
	}
	return nil
}

// usageJSON is what scripts get.
type usageJSON struct {
	*store.Usage
	Retired int `json:"retired"` // captures, which are not among the others
}

func (a *app) countRetired(ctx context.Context, r *repository) (n int, err error) {
	l, err := a.listing(ctx, r)
	if err != nil {
		return 0, err
	}
	for _, c := range l.Captures {
		if c.Retired != nil {
			n++
		}
	}
	return n, nil
}

func usageLines(u *store.Usage) []string {
	var most int64
	for _, c := range u.Captures {
		most = max(most, c.Alone)
	}
	lines := []string{"id\tname\tversion\ttaken\t    size\t   added\t   alone\t"}
	for _, c := range u.Captures {
		lines = append(lines, strings.Join([]string{
			c.ID, screen.Printable(c.Name), screen.Printable(c.Version), screen.LocalTime(c.Taken),
			screen.SizeCell(c.Bytes), screen.SizeCell(c.Added), screen.SizeCell(uint64(c.Alone)), bar(c.Alone, most),
		}, "\t"))
	}
	return lines
}

// bar draws a share of a whole.
func bar(n, most int64) string {
	const width = 24
	if most == 0 {
		return ""
	}
	return strings.Repeat("=", int((n*width+most-1)/most))
}
