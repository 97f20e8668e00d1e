package page

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
)

// calendar is the fourth picture, of one name and host: a row a month, a column a day.
type calendar struct {
	Of            string
	Text          string
	Width, Height float64
	Left, Cell    float64
	Days          []tick // numbers over the columns
	Months        []tick
	Marks         []mark
	Letters       bool // there is room for them
	Earlier       int  // captures before the first month that is drawn
}

// mark is a day with captures.
type mark struct {
	X, Y   float64 // the middle
	Size   float64
	Class  string
	Letter string
	Text   string
}

// legend says what a mark means.
type legend struct {
	Class, Letter, Text string
}

const (
	mostMonths    = 36 // the latest ones, of a name and host
	mostCalendars = 8
)

// kept are what may keep a capture, the strongest first: the mark of a day shows the first that counts.
var kept = []struct {
	rules               []rotation.Rule
	class, letter, text string
}{
	{[]rotation.Rule{rotation.Held}, "held", "H", "held"},
	{[]rotation.Rule{rotation.Year}, "year", "Y", "newest of a year"},
	{[]rotation.Rule{rotation.Month}, "month", "M", "newest of a month"},
	{[]rotation.Rule{rotation.Week}, "week", "W", "newest of a week"},
	{[]rotation.Rule{rotation.Day}, "day", "D", "newest of a day"},
	{[]rotation.Rule{rotation.Last}, "last", "L", "among the last"},
	{[]rotation.Rule{rotation.OfVersion}, "version", "V", "newest of a version"},
	{[]rotation.Rule{rotation.Newest, rotation.Sound}, "newest", "N", "newest of all"},
	{[]rotation.Rule{rotation.Future, store.WrongClock}, "clock", "C", "its date is wrong"},
}

// Classes of captures that no rule is known to keep.
const (
	goes = len(captureClasses) - 1
	free = goes - 1
)

var captureClasses = [...]string{"held", "year", "month", "week", "day", "last", "version", "newest", "clock", "free", "goes"}

// classOf gives the class of a capture, as a place in captureClasses.
func (v *view) classOf(c store.CaptureUsage) int {
	d, ok := v.Stays[c.ID]
	switch {
	case !ok && c.Held:
		return 0
	case !ok:
		return free
	case !d.Keep:
		return goes
	}
	for i, k := range kept {
		if slices.ContainsFunc(d.Why, func(r rotation.Reason) bool { return slices.Contains(k.rules, r.Rule) }) {
			return i
		}
	}
	return free
}

func letterOf(class int) string {
	if class < len(kept) {
		return kept[class].letter
	}
	return ""
}

// legendOf says what the marks that are there mean.
func (v *view) legendOf() (all []legend) {
	there := make(map[int]bool)
	for _, c := range v.Captures {
		there[v.classOf(c)] = true
	}
	for i, k := range kept {
		if there[i] {
			all = append(all, legend{k.class, k.letter, k.text})
		}
	}
	if there[free] {
		all = append(all, legend{"free", "", "a capture"})
	}
	if there[goes] {
		all = append(all, legend{"goes", "", "no rule keeps it"})
	}
	return all
}

func (v *view) drawCalendars(width float64) (all []calendar) {
	services, captures := v.byService()
	for _, s := range services[:min(len(services), mostCalendars)] {
		all = append(all, v.drawCalendar(s, captures[s], width))
	}
	return all
}

func (v *view) drawCalendar(of string, captures []store.CaptureUsage, width float64) calendar {
	c := calendar{Of: headingText(of, width), Width: width, Left: 70, Letters: true}
	if width == narrow {
		c.Left, c.Letters = 68, false
	}
	c.Cell = (width - c.Left) / 31
	row := max(min(c.Cell, 22), 16)
	for day := 1; day <= 31; day++ {
		if c.Letters || day == 1 || day%5 == 0 {
			c.Days = append(c.Days, tick{c.Left + (float64(day)-0.5)*c.Cell, fmt.Sprint(day)})
		}
	}
	const head = 18
	last := v.monthOf(captures[len(captures)-1].Taken)
	first := max(v.monthOf(captures[0].Taken), last-mostMonths+1)
	for m := first; m <= last; m++ {
		c.Months = append(c.Months, tick{head + (float64(m-first)+0.5)*row, time.Date(0, time.Month(m+1), 1, 0, 0, 0, 0, time.UTC).Format("Jan 2006")})
	}
	c.Height = head + float64(len(c.Months))*row + 2
	days := make(map[string]*day)
	var order []string
	for _, one := range captures {
		if v.monthOf(one.Taken) < first {
			c.Earlier++
			continue
		}
		key := v.Date(one.Taken)
		if days[key] == nil {
			days[key] = &day{at: one.Taken.In(v.zone()), class: goes}
			order = append(order, key)
		}
		days[key].add(one.ID, v.classOf(one), v.Why(one))
	}
	stay := 0
	for _, key := range order {
		d := days[key]
		stay += d.stay
		c.Marks = append(c.Marks, mark{
			X: c.Left + (float64(d.at.Day())-0.5)*c.Cell, Y: head + (float64(v.monthOf(d.at)-first)+0.5)*row, Size: min(row-3, c.Cell-0.5),
			Class: captureClasses[d.class], Letter: letterOf(d.class), Text: key + ": " + strings.Join(d.texts, "; "),
		})
	}
	c.Text = fmt.Sprintf("%s in the calendar: captures on %d days, from %s to %s", of, len(order), order[0], order[len(order)-1])
	if v.Decisions != nil {
		c.Text += fmt.Sprintf("; %d of them would stay, %d would go", stay, len(captures)-c.Earlier-stay)
	}
	return c
}

// day is the captures of one day.
type day struct {
	at    time.Time
	class int // the strongest
	stay  int
	texts []string
}

func (d *day) add(id string, class int, why string) {
	d.class = min(d.class, class)
	if class != goes {
		d.stay++
	}
	if class == goes {
		why = "no rule keeps it"
	}
	if why != "" {
		id += ", " + why
	}
	d.texts = append(d.texts, id)
}

// monthOf numbers months: those of the year 0 from 0 on.
func (v *view) monthOf(t time.Time) int {
	t = t.In(v.zone())
	return t.Year()*12 + int(t.Month()) - 1
}
