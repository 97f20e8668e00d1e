package page

import (
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// tick is a line of an axis with its label.
type tick struct {
	At   float64
	Text string
}

// byteTicks gives at most five steps of powers of two up to above a size, and the size at the top of them.
func byteTicks(most int64) (steps []int64, top int64) {
	step := int64(1)
	for step*4 < most && step < 1<<60 {
		step *= 2
	}
	for n := int64(0); n < most+step && len(steps) < 6; n += step {
		steps = append(steps, n)
		top = n
	}
	return steps, top
}

// timeScale places times between two ends.
type timeScale struct {
	first, last time.Time
	from, to    float64
}

func newTimeScale(first, last time.Time, from, to float64) timeScale {
	if !last.After(first) {
		first, last = first.Add(-12*time.Hour), first.Add(12*time.Hour)
	}
	return timeScale{first, last, from, to}
}

func (s timeScale) at(t time.Time) float64 {
	return s.from + (s.to-s.from)*float64(t.Sub(s.first))/float64(s.last.Sub(s.first))
}

// halfLetter is half of what a letter of a label takes, in pixels: labels stand with their middle at what they name.
const halfLetter = 3.3

// ticks gives the beginnings of years, months or days, as many as have room at so many pixels each. What would be cut off
// behind the drawing's width is left out.
func (s timeScale) ticks(zone *time.Location, room, width float64) (ticks []tick) {
	span := s.last.Sub(s.first).Hours() / 24
	most := max(2, (s.to-s.from)/room)
	first := s.first.In(zone)
	for _, unit := range []struct {
		days          float64
		years, months int
		plain, wider  string
	}{
		{1, 0, 0, "2 Jan", "2 Jan"}, {7, 0, 0, "2 Jan", "2 Jan"}, {30.4, 0, 1, "Jan", "2006"}, {91, 0, 3, "Jan", "2006"}, {182, 0, 6, "Jan", "2006"},
		{365, 1, 0, "2006", "2006"}, {730, 2, 0, "2006", "2006"}, {1826, 5, 0, "2006", "2006"}, {3652, 10, 0, "2006", "2006"}, {36525, 100, 0, "2006", "2006"},
	} {
		if span/unit.days > most {
			continue
		}
		var at time.Time
		switch {
		case unit.years > 0:
			at = time.Date(first.Year()-first.Year()%unit.years, 1, 1, 0, 0, 0, 0, zone)
		case unit.months > 0:
			at = time.Date(first.Year(), 1, 1, 0, 0, 0, 0, zone)
		default:
			at = time.Date(first.Year(), first.Month(), first.Day(), 0, 0, 0, 0, zone)
		}
		for ; !at.After(s.last); at = at.AddDate(unit.years, unit.months, days(unit.years+unit.months, unit.days)) {
			if at.Before(s.first) {
				continue
			}
			text := at.Format(unit.plain)
			if at.Month() == time.January && at.Day() == 1 {
				text = at.Format(unit.wider)
			}
			if t := (tick{s.at(at), text}); t.At+float64(len(text))*halfLetter <= width {
				ticks = append(ticks, t)
			}
		}
		return ticks
	}
	return nil
}

// days is a step in days, where it is none in months or years.
func days(others int, n float64) int {
	if others > 0 {
		return 0
	}
	return int(n)
}

// logScale places sizes by their logarithm.
type logScale struct {
	least, most float64 // powers of two
	from, to    float64
}

func newLogScale(least, most int64, from, to float64) logScale {
	power := func(n int64) float64 { return math.Log2(float64(max(1, n))) }
	return logScale{power(least) - 1, max(power(most)+1, power(least)+5), from, to}
}

func (s logScale) at(n int64) float64 {
	power := min(max(math.Log2(float64(max(1, n))), s.least), s.most)
	return s.from + (s.to-s.from)*(power-s.least)/(s.most-s.least)
}

func (s logScale) ticks() (ticks []tick) {
	step := 5.0
	if s.most-s.least > 20 {
		step = 10
	}
	for power := math.Ceil(s.least/step) * step; power <= s.most; power += step {
		n := int64(1) << int(power)
		ticks = append(ticks, tick{s.at(n), strings.Replace(screen.Size(uint64(n)), ".0 ", " ", 1)})
	}
	return ticks
}

// place is a point as the path of an SVG has it.
func place(x, y float64) string { return fmt.Sprintf("%.1f %.1f", x, y) }
