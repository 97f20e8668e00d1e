package store

import (
	"strings"
	"time"
)

// selector is what a text that selects a capture may mean. Which of it is meant, only the
// captures that there are tell: names and versions may look like anything.
type selector struct {
	text   string
	latest bool // of all
	digits bool // the text may be the beginning of a day, as it stands in an id
	named  []namedSelector
}

// namedSelector is NAME@WHAT, divided at one of the "@" of a text.
type namedSelector struct {
	name, what string
	latest     bool
	day        string // of the calendar, as time.DateOnly; "": what is none
}

// latestWord stands for the newest capture, and is never taken for a version.
const latestWord = "latest"

// idDay is how a day stands in an id.
const idDay = "20060102"

func parseSelector(text string) selector {
	s := selector{text: text, latest: text == latestWord}
	s.digits = text != "" && len(text) <= len(idDay) && strings.Trim(text, "0123456789") == ""
	for i := range len(text) {
		if text[i] != '@' {
			continue
		}
		n := namedSelector{name: text[:i], what: text[i+1:]}
		n.latest, n.day = n.what == latestWord, parseDay(n.what)
		s.named = append(s.named, n)
	}
	return s
}

// parseDay gives a day as time.DateOnly has it, or "".
func parseDay(text string) string {
	for _, layout := range []string{time.DateOnly, idDay} {
		if t, err := time.Parse(layout, text); err == nil && t.Format(layout) == text {
			return t.Format(time.DateOnly)
		}
	}
	return ""
}

// byDate tells whether which capture is meant depends on when captures were taken.
func (s *selector) byDate() bool { return s.latest || len(s.named) > 0 }
