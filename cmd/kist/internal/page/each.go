package page

import (
	"fmt"

	"github.com/kistarchive/kist/store"
)

// panels are the second picture: what each capture added, and what it alone keeps, a panel for each
// name and host, on one scale of times and one of sizes.
type panels struct {
	All  []panel
	More int // that are not drawn
}

type panel struct {
	Of                       string
	Text                     string
	Width, Height            float64
	Left, Right, Top, Bottom float64
	Sizes, Times             []tick
	Unlabelled               bool // the times: another panel below says them
	Dots                     []dot
}

// dot is a capture: a ring for what it added, and a dot for what it alone keeps.
type dot struct {
	X, Added, Alone float64
	Text            string
}

// mostPanels bounds what is drawn: the table has all.
const mostPanels = 8

func (v *view) drawPanels(width float64) (p panels) {
	if len(v.Captures) == 0 {
		return p
	}
	least, most := int64(1)<<62, int64(0)
	for _, c := range v.Captures {
		for _, n := range []int64{int64(c.Added), c.Alone} {
			least, most = min(least, max(n, 1)), max(most, n)
		}
	}
	services, captures := v.byService()
	if len(services) > mostPanels {
		services, p.More = services[:mostPanels], len(services)-mostPanels
	}
	for i, s := range services {
		p.All = append(p.All, v.drawPanel(s, captures[s], width, least, most))
		if one := &p.All[i]; i == len(services)-1 {
			one.Height += 26 // for what the times are, which are the same of all
		} else {
			one.Unlabelled = true
		}
	}
	return p
}

func (v *view) drawPanel(of string, captures []store.CaptureUsage, width float64, least, most int64) panel {
	p := panel{Of: headingText(of, width), Width: width, Height: 146, Left: 64, Right: width - 12, Top: 26, Bottom: 140}
	room := 64.0
	if width == narrow {
		p.Left, room = 62, 52
	}
	sizes := newLogScale(least, most, p.Bottom-2, p.Top+2)
	p.Sizes = sizes.ticks()
	times := newTimeScale(v.Captures[0].Taken, v.Captures[len(v.Captures)-1].Taken, p.Left+10, p.Right-8)
	p.Times = times.ticks(v.zone(), room, width)
	var added, alone int64
	for _, c := range captures {
		p.Dots = append(p.Dots, dot{times.at(c.Taken), sizes.at(int64(c.Added)), sizes.at(c.Alone),
			fmt.Sprintf("%s: added %s, alone keeps %s", c.ID, sizeText(int64(c.Added)), sizeText(c.Alone))})
		added += int64(c.Added)
		alone += c.Alone
	}
	p.Text = fmt.Sprintf("%s: %d captures added %s in all; what each keeps alone adds up to %s.", of, len(captures), sizeText(added), sizeText(alone))
	return p
}
