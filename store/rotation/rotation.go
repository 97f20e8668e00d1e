package rotation

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Errors of planning. Compare with errors.Is.
var (
	// ErrBadRules is returned for rules that ask for nothing or have a number
	// below zero.
	ErrBadRules = errors.New("bad rules of rotation")

	// ErrBadItem is returned for a capture that is there twice or has no date.
	// The error names it.
	ErrBadItem = errors.New("bad capture to plan for")
)

// Rules say how many captures of a group stay. Each is a number of captures, from
// 0 with no upper limit; 0 switches that rule off. One of them at least must be
// above 0.
type Rules struct {
	Last     int // the newest captures
	Days     int // calendar days
	Weeks    int // weeks of ISO 8601
	Months   int // calendar months
	Years    int // calendar years
	Versions int // versions of what was captured
}

func (r Rules) check() error {
	wanted := false
	for _, n := range []struct {
		name  string
		value int
	}{{"last", r.Last}, {"days", r.Days}, {"weeks", r.Weeks}, {"months", r.Months}, {"years", r.Years}, {"versions", r.Versions}} {
		if n.value < 0 {
			return fmt.Errorf("%w: %s is %d: give 0 or more", ErrBadRules, n.name, n.value)
		}
		wanted = wanted || n.value > 0
	}
	if !wanted {
		return fmt.Errorf("%w: all are 0: say how many captures are to stay", ErrBadRules)
	}
	return nil
}

// Item is a capture as far as a rotation needs to know it.
type Item struct {
	ID    string    // unique among all items
	Group string    // captures of one group rotate together; any text
	Taken time.Time // when the data was as captured, in any location; not zero
	Held  bool      // it must never be retired

	Version  string // of what was captured, any text; of those with "" none stays for its version
	Doubtful bool   // its data may be of no single moment, or not all: others are better
}

// Decision says whether a capture stays, and why.
type Decision struct {
	Item
	Keep bool    // false: it may be retired
	Why  Reasons // empty if Keep is false
}

// Rule is what may keep a capture. Its text is fit for a screen and for scripts.
type Rule string

// All that may keep a capture.
const (
	Held   Rule = "held"   // it is held
	Future Rule = "future" // it is dated after now, and counts for nothing else
	Newest Rule = "newest" // no capture of its group is newer
	Sound  Rule = "sound"  // all newer ones of its group are doubtful, and it is not
	Last   Rule = "last"   // Rules.Last
	Day    Rule = "day"    // Rules.Days
	Week   Rule = "week"   // Rules.Weeks
	Month  Rule = "month"  // Rules.Months
	Year   Rule = "year"   // Rules.Years

	OfVersion Rule = "version" // Rules.Versions
)

// Reason is a rule that keeps a capture.
type Reason struct {
	Rule Rule

	// Period is what the capture is the newest of, in the form of ISO 8601:
	// "2026-03-14", "2026-W11", "2026-03" or "2026"; for OfVersion it is the version, which
	// may be any text. Empty but for Day, Week, Month, Year and OfVersion.
	Period string

	// Place counts what the rule keeps from the newest, which is 1, up to Of,
	// which is the number in Rules. Both are 0 for Held, Future, Newest and Sound.
	Place, Of int
}

// String gives the reason in words: "day 2026-03-14", "last 1 of 3", "held", "version 4.1.0".
func (r Reason) String() string {
	switch {
	case r.Period != "":
		return string(r.Rule) + " " + r.Period
	case r.Of > 0:
		return fmt.Sprintf("%s %d of %d", r.Rule, r.Place, r.Of)
	}
	return string(r.Rule)
}

// Reasons are in the order of the constants of [Rule], each rule at most once.
type Reasons []Reason

// String gives the reasons in words, with commas between them.
func (r Reasons) String() string {
	words := make([]string, len(r))
	for i, reason := range r {
		words[i] = reason.String()
	}
	return strings.Join(words, ", ")
}
