package rotation

import (
	"fmt"
	"time"
)

// tally counts the periods of one rule. It remembers all of them, not the latest
// alone: where clocks go back across midnight, as they did in St. John's at one
// minute past it, a day goes on after the next one has begun.
type tally struct {
	rule  Rule
	limit int
	seen  map[string]struct{}
}

func newTally(rule Rule, limit int) tally {
	return tally{rule, limit, make(map[string]struct{})}
}

// next gives the reason to keep a capture that was taken at t. It is called for
// all captures of a group, the newest first.
func (c tally) next(t time.Time) (Reason, bool) {
	if len(c.seen) >= c.limit {
		return Reason{}, false
	}
	period := periodOf(c.rule, t)
	if _, known := c.seen[period]; known {
		return Reason{}, false
	}
	c.seen[period] = struct{}{}
	return Reason{Rule: c.rule, Period: period, Place: len(c.seen), Of: c.limit}, true
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
