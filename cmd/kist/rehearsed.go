package main

import (
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// rehearsedJSON is what came of a rehearsal, as scripts get it.
type rehearsedJSON struct {
	Capture   string           `json:"capture"`
	Name      string           `json:"name"`
	Version   string           `json:"version"`
	Rehearsed *store.Rehearsal `json:"rehearsed,omitempty"` // left out where it could not be tried
	Lost      []lost           `json:"lost,omitempty"`
	Dropped   []partly         `json:"dropped,omitempty"` // by a repair, before
	Log       []string         `json:"log,omitempty"`     // the last lines of the service that did not come up
	Error     string           `json:"error,omitempty"`
}

func newRehearsedJSON(c *store.Capture) *rehearsedJSON {
	return &rehearsedJSON{Capture: c.ID, Name: c.Name, Version: c.Version}
}

// outcomeTexts say outcomes in words.
func outcomeText(o store.RehearsalOutcome) string {
	switch o {
	case store.RehearsedWhole:
		return "all came back whole"
	case store.RehearsedUp:
		return "it came up"
	case store.RehearsedHarmed:
		return "NOT ALL CAME BACK"
	case store.RehearsedDown:
		return "IT DID NOT COME UP"
	}
	return screen.Printable(string(o)) // of a later release
}

func rehearsedCell(c *store.Capture) string {
	if c.Rehearsed == nil {
		return ""
	}
	return c.Rehearsed.At.Local().Format(time.DateOnly) + " " + screen.Printable(string(c.Rehearsed.Outcome))
}

// rehearsedLines tell of the latest rehearsal.
func rehearsedLines(c *store.Capture) (lines []string) {
	r := c.Rehearsed
	if r == nil {
		return nil
	}
	text := screen.LocalTime(r.At)
	if r.Host != "" {
		text += " on " + screen.Printable(r.Host)
	}
	lines = append(lines, "rehearsed\t"+text+": "+outcomeText(r.Outcome)+", in "+tookText(r.Took))
	if r.Fault != "" {
		lines = append(lines, "  fault\t"+screen.Printable(r.Fault))
	}
	for _, checked := range r.Checked {
		lines = append(lines, "  checked\t"+screen.Printable(checked))
	}
	return lines
}

// tookText rounds to what people ask for.
func tookText(d time.Duration) string {
	if d < time.Second {
		return d.Round(time.Millisecond).String()
	}
	return d.Round(time.Second).String()
}

// bounded makes a text fit for a mark: one line, and not long.
func boundedText(s string) string {
	const most = 2000
	s = strings.ToValidUTF8(strings.Join(strings.Fields(s), " "), "\uFFFD")
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "…"
	}
	return s
}
