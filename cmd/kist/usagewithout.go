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
	*store.Freed
}

// without tells what would come free without some captures. It changes nothing.
func (a *app) without(c *cli.Context, r *repository) error {
	p, err := a.planRetirement(c, r)
	if err != nil {
		return err
	}
	going := p.going()
	freed, err := r.FreedBy(c.Context, idsOf(going))
	if err != nil && freed == nil {
		return err
	}
	if a.JSON {
		err = a.PrintJSON(withoutJSON{append([]string{}, idsOf(going)...), freed})
	} else {
		err = a.printFreed(c, p, freed)
	}
	if err != nil {
		return err
	}
	return errOfGaps(freed.Unread, freed.InPart)
}

// printFreed tells people what would come free without the captures that go.
func (a *app) printFreed(c *cli.Context, p *retirement, freed *store.Freed) error {
	going := p.going()
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
	about := ""
	switch {
	case len(freed.Unread)+len(freed.InPart) > 0:
		about = "at most "
	case freed.Bytes > 0:
		about = "about "
	}
	a.Printf("Without %s %s%s would come free", screen.Count(len(going), "capture", "captures"), about, screen.Size(uint64(freed.Bytes)))
	if len(c.Args().Slice()) == 0 {
		a.Printf(", by %s, of %s", strings.TrimPrefix(p.reason, "rotation: "), screen.Count(len(p.decisions), "capture", "captures"))
	}
	if freed.MayStay {
		a.Printf(",\nor stay: %s", leavesDead)
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

// sayFreed says what a retirement would let come free. Where some of what captures need can't be read that is known in part, and
// no reason to fail.
func (p *retirement) sayFreed(c *cli.Context, a *app, r *repository) error {
	going := p.going()
	if len(going) == 0 {
		return nil
	}
	freed, err := r.FreedBy(c.Context, idsOf(going))
	switch {
	case freed != nil && errors.Is(err, store.ErrDamaged):
		a.Say("At most %s would come free by it: some of what captures need can't be read.", screen.Size(uint64(freed.Bytes)))
	case err != nil:
		return err
	case freed.MayStay:
		a.Say("About %s would come free by it: kist reclaim frees that after the grace time, or leaves it: %s.", screen.Size(uint64(freed.Bytes)), leavesDead)
	default:
		a.Say("About %s would come free by it: kist reclaim frees that after the grace time.", screen.Size(uint64(freed.Bytes)))
	}
	return nil
}
