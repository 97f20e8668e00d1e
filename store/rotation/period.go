package rotation

import (
	"fmt"
	"time"
)

// tally counts the periods, or the versions, of one rule. It knows all of them, not the
// latest alone: where clocks go back across midnight, as they did in St. John's at one
// minute past it, a day goes on after the next one has begun.
type tally struct {
	rule  Rule
	limit int
}

// decide keeps the best capture of each of the latest periods of a group, which comes the
// newest first.
func (t tally) decide(group []dated) {
	var best []dated
	places := make(map[string]int)
	for _, d := range group {
		period := t.period(d)
		place, known := places[period]
		switch {
		case period == "":
		case known && best[place].Doubtful && !d.Doubtful:
			best[place] = d
		case !known && len(best) < t.limit:
			places[period] = len(best)
			best = append(best, d)
		}
	}
	for i, d := range best {
		d.keep(Reason{Rule: t.rule, Period: t.period(d), Place: i + 1, Of: t.limit})
	}
}

func (t tally) period(d dated) string {
	if t.rule == OfVersion {
		return d.Version
	}
	return periodOf(t.rule, d.taken)
}

// periodOf gives the period of t, in t's location, in the form of ISO 8601.
func periodOf(rule Rule, t time.Time) string {
	switch rule {
	case Day:
		return t.Format("2006-01-02")
	case Week:
		year, week := t.ISOWeek()
		return fmt.Sprintf("%04d-W%02d", year, week)
	case Month:
		return t.Format("2006-01")
	default:
		return t.Format("2006")
	}
}
