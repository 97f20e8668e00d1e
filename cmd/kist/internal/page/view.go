package page

import (
	"cmp"
	"fmt"
	"html/template"
	"slices"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
)

// view is what the template is given: a report, and what is drawn of it.
type view struct {
	*Report
	Captures  []store.CaptureUsage // by when they were taken
	Growth    []*growth            // the first picture, for a desk and for a phone
	Panels    []panels             // likewise
	Legends   []legend
	Names     []cost
	Hosts     []cost
	Calendars [][]calendar // likewise
	Changes   []changesView
	Stays     map[string]rotation.Decision
}

// The widths that pictures are drawn for, in CSS pixels: text is as large on a phone as on a desk.
const (
	wide   = 880
	narrow = 344
)

func newView(r *Report) *view {
	v := &view{Report: r, Captures: slices.Clone(r.Usage.Captures), Stays: make(map[string]rotation.Decision)}
	slices.SortStableFunc(v.Captures, func(a, b store.CaptureUsage) int {
		return cmp.Or(a.Taken.Compare(b.Taken), cmp.Compare(a.ID, b.ID))
	})
	for _, d := range r.Decisions {
		v.Stays[d.ID] = d
	}
	for _, width := range []float64{wide, narrow} {
		v.Growth = append(v.Growth, v.drawGrowth(width))
		v.Panels = append(v.Panels, v.drawPanels(width))
		v.Calendars = append(v.Calendars, v.drawCalendars(width))
	}
	v.Legends = v.legendOf()
	v.Names, v.Hosts = v.costs()
	for i := range r.Changes {
		v.Changes = append(v.Changes, newChangesView(&r.Changes[i], len(r.Usage.Hosts) > 1))
	}
	return v
}

// Title names the page.
func (v *view) Title() string {
	switch {
	case v.Name != "" && v.Host != "":
		return fmt.Sprintf("What the captures of %s on %s cost", screen.Printable(v.Name), screen.Printable(v.Host))
	case v.Name != "":
		return fmt.Sprintf("What the captures of %s cost", screen.Printable(v.Name))
	case v.Host != "":
		return fmt.Sprintf("What the captures of %s cost", screen.Printable(v.Host))
	}
	return "What the captures cost"
}

// Chosen tells whether some captures were left out.
func (v *view) Chosen() bool { return v.Name != "" || v.Host != "" }

// Several tells whether there are several hosts.
func (v *view) Several() bool { return len(v.Usage.Hosts) > 1 }

// Beside is what lies beside what captures need, of all that is stored.
func (v *view) Beside() int64 {
	return max(0, v.Usage.Stored-v.Usage.Total.Stored-v.Usage.Reclaimable)
}

func (v *view) zone() *time.Location {
	if v.Zone == nil {
		return time.UTC
	}
	return v.Zone
}

// ZoneName names the zone of dates. That of a machine may have no name but its abbreviation.
func (v *view) ZoneName() string {
	if name := v.zone().String(); name != "Local" {
		return name
	}
	return v.Made.In(v.zone()).Format("MST")
}

// Period says from when to when captures were taken.
func (v *view) Period() string {
	if len(v.Captures) == 0 {
		return ""
	}
	first, last := v.Date(v.Captures[0].Taken), v.Date(v.Captures[len(v.Captures)-1].Taken)
	if first == last {
		return first
	}
	return first + " to " + last
}

// Date is a day by the page's calendar.
func (v *view) Date(t time.Time) string { return t.In(v.zone()).Format(time.DateOnly) }

// Minute is a time by it.
func (v *view) Minute(t time.Time) string { return t.In(v.zone()).Format("2006-01-02 15:04") }

// Stay says what becomes of a capture, and Why by which rules.
func (v *view) Stay(id string) string {
	switch d, ok := v.Stays[id]; {
	case !ok:
		return "stays"
	case d.Keep:
		return "stays"
	}
	return "would go"
}

// Why gives the rules that keep a capture.
func (v *view) Why(c store.CaptureUsage) string {
	if d, ok := v.Stays[c.ID]; ok {
		return screen.Printable(d.Why.String())
	}
	if c.Held {
		return "held"
	}
	return ""
}

// Goes counts the captures that no rule keeps.
func (v *view) Goes() (n int) {
	for _, d := range v.Decisions {
		if !d.Keep {
			n++
		}
	}
	return n
}

// service names the name of captures, and their host where there are several.
func (v *view) service(c *store.Capture) string {
	if v.Several() {
		return screen.Printable(c.Name) + " on " + screen.Printable(c.Host)
	}
	return screen.Printable(c.Name)
}

// headingText is a name as it has room over a picture: some 10.5 pixels a letter.
func headingText(name string, width float64) string { return screen.Shorten(name, int(width/10.5)) }

// byService gives captures by name and host, those names first that come first by the alphabet.
func (v *view) byService() (services []string, captures map[string][]store.CaptureUsage) {
	captures = make(map[string][]store.CaptureUsage)
	for _, c := range v.Captures {
		s := v.service(c.Capture)
		if captures[s] == nil {
			services = append(services, s)
		}
		captures[s] = append(captures[s], c)
	}
	slices.Sort(services)
	return services, captures
}

func functions() template.FuncMap {
	return template.FuncMap{
		"style":  func() template.CSS { return template.CSS(Style()) },
		"drawn":  func() template.CSS { return template.CSS(pictureStyle) },
		"policy": Policy,
		"size":   sizeText, "show": screen.Printable, "count": func(n int, one, many string) string { return screen.Count(n, one, many) },
		"signed": func(n uint64) int64 { return int64(n) },
		"times":  timesText, "share": shareText, "shorten": screen.Shorten, "percent": percentText, "at": func(f float64) string { return fmt.Sprintf("%.1f", f) },
	}
}

// sizeText is a number of bytes, which may be below 0.
func sizeText(n int64) string {
	if n < 0 {
		return "−" + screen.Size(uint64(-n))
	}
	return screen.Size(uint64(n))
}

// timesText says how much smaller something is.
func timesText(captured, stored int64) string {
	if stored <= 0 || captured <= 0 {
		return ""
	}
	if times := float64(captured) / float64(stored); times >= 9.95 {
		return fmt.Sprintf("%.0f", times)
	} else {
		return fmt.Sprintf("%.1f", times)
	}
}

// shareText is a part of a whole in words.
func shareText(part, whole int64) string {
	return fmt.Sprintf("%.1f%%", 100*float64(part)/float64(max(1, whole)))
}

// percentText is a part of a whole as the length of an SVG bar.
func percentText(part, whole int64) string {
	if whole <= 0 || part <= 0 {
		return "0%"
	}
	return fmt.Sprintf("%.2f%%", 100*float64(part)/float64(whole))
}
