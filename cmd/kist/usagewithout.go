package main

import (
	"errors"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// withoutJSON is what scripts get of a question what would come free.
type withoutJSON struct {
	Without []string `json:"without"` // ids
	Freed   int64    `json:"freed_bytes"`
}

// without tells what would come free without some captures. It changes nothing.
func (a *app) without(c *cli.Context, r *repository) error {
	p, err := a.planRetirement(c, r)
	if err != nil {
		return err
	}
	going := p.going()
	freed, err := r.FreedBy(c.Context, idsOf(going))
	if err != nil {
		return err
	}
	if a.JSON {
		return a.PrintJSON(withoutJSON{append([]string{}, idsOf(going)...), freed})
	}
	lines := []string{"id\tname\tversion\ttaken\t    size"}
	for _, c := range going {
		lines = append(lines, strings.Join([]string{
			c.ID, nameCell(c.Name, 12, a.Width() > 0), nameCell(c.Version, 11, a.Width() > 0), screen.LocalTime(c.Taken), screen.SizeCell(c.Bytes),
		}, "\t"))
	}
	if len(going) > 0 {
		if err := a.Table(lines); err != nil {
			return err
		}
		a.Printf("\n")
	}
	p.sayOnlyVersions(a)
	a.Printf("Without %s %s would come free", screen.Count(len(going), "capture", "captures"), screen.Size(uint64(freed)))
	if len(c.Args().Slice()) == 0 {
		a.Printf(", by %s, of %s", strings.TrimPrefix(p.reason, "rotation: "), screen.Count(len(p.decisions), "capture", "captures"))
	}
	a.Printf(".\n")
	a.Say("Nothing was changed. kist help usage tells how that is rounded.")
	return nil
}

// going gives the captures that are retired by a plan, in its order.
func (p *retirement) going() (going []*store.Capture) {
	for _, d := range p.decisions {
		if !d.Keep {
			going = append(going, p.captures[d.ID])
		}
	}
	return going
}

// sayFreed says what a retirement would let come free. While index files can't be read that is not
// known, and no reason to fail.
func (p *retirement) sayFreed(c *cli.Context, a *app, r *repository) error {
	going := p.going()
	if len(going) == 0 {
		return nil
	}
	freed, err := r.FreedBy(c.Context, idsOf(going))
	switch {
	case errors.Is(err, store.ErrDamaged):
		a.Say("What would come free is not known: some of what captures need can't be read.")
	case err != nil:
		return err
	default:
		a.Say("%s would come free by it: kist reclaim frees that after the grace time.", screen.Size(uint64(freed)))
	}
	return nil
}
