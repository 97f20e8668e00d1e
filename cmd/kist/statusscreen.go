package main

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/mattn/go-runewidth"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// Texts of kist status are whole: on a terminal they are broken between words. Names in its table are
// shortened in their middle there, so that it has 80 columns.
const (
	nameWidth  = 14
	hostWidth  = 12
	wantsShown = 20
	factIndent = 12
)

func (a *app) printStatus(s *state, wanted []want) error {
	if len(wanted) == 0 {
		a.Printf("All is well.\n")
	}
	for i, w := range wanted {
		if i == wantsShown {
			a.Printf("Wanted: %d things more (--json has all)\n", len(wanted)-i)
			break
		}
		a.Tell("Wanted: %s\n", w.text)
	}
	a.Printf("\n")
	if len(s.Services) > 0 {
		for _, line := range serviceLines(s.Services, a.Width() > 0) {
			a.Tell("%s\n", line)
		}
		a.Printf("\n")
	}
	for _, fact := range s.facts() {
		a.Printf("%-*s%s\n", factIndent, fact[0], a.besideFact(fact[1]))
	}
	return nil
}

// besideFact breaks a text so that all of it stands beside the word that it is under.
func (a *app) besideFact(text string) string {
	if a.Width() == 0 {
		return text
	}
	return strings.ReplaceAll(screen.Wrap(text, a.Width()-factIndent), "\n", "\n"+strings.Repeat(" ", factIndent))
}

// serviceLines are the table of services, each with a line of remarks where there are some.
func serviceLines(all []store.ServiceStatus, shorten bool) (lines []string) {
	rows := [][]string{{"name", "host", "last capture", "age", "rehearsed"}}
	for i := range all {
		rows = append(rows, serviceCells(&all[i], shorten))
	}
	widths := make([]int, len(rows[0]))
	for _, row := range rows {
		for i, cell := range row {
			widths[i] = max(widths[i], screen.Columns(cell))
		}
	}
	for i, row := range rows {
		for k := range row {
			row[k] = runewidth.FillRight(row[k], widths[k])
		}
		lines = append(lines, strings.TrimRight(strings.Join(row, "  "), " "))
		if i == 0 {
			continue
		}
		if remarks := remarksOf(&all[i-1]); remarks != "" {
			lines = append(lines, "  "+remarks)
		}
	}
	return lines
}

func serviceCells(s *store.ServiceStatus, shorten bool) []string {
	cells := []string{screen.Printable(s.Name), screen.Printable(s.Host), "none", "", ""}
	if shorten {
		cells[0], cells[1] = screen.Shorten(cells[0], nameWidth), screen.Shorten(cells[1], hostWidth)
	}
	if s.Last != nil {
		cells[2], cells[3] = screen.LocalTime(s.Last.Taken), ageText(s.Age)
	}
	if s.Rehearsed != nil {
		cells[4] = rehearsedCell(s.Rehearsed)
	}
	return cells
}

// remarksOf says what is to be known of a service's captures.
func remarksOf(s *store.ServiceStatus) string {
	var remarks []string
	if s.Last != nil && len(s.Last.Doubts) > 0 {
		remarks = append(remarks, doubtsText(s.Last))
	}
	if len(s.Shrunk) > 0 {
		remarks = append(remarks, "more than half is gone of "+volumesText(s.Shrunk))
	}
	if n := len(s.Future); n > 0 {
		remarks = append(remarks, fmt.Sprintf("%d dated in the future", n))
	}
	if s.Captures == 0 {
		remarks = append(remarks, screen.Count(s.Retired, "capture, which is retired", "captures, all of them retired"))
	}
	return strings.Join(remarks, "; ")
}

// facts are what there is to tell besides, each under a word.
func (s *state) facts() (facts [][2]string) {
	add := func(word, text string) { facts = append(facts, [2]string{word, text}) }
	if s.Verified == nil {
		add("verified", "never, as far as is known (kist verify --full)")
	} else {
		add("verified", verifiedText(s.Verified))
	}
	if s.Full != s.Verified {
		add("", verifiedText(s.Full))
	}
	if n := len(s.Held); n > 0 {
		add("held", screen.Count(n, "capture", "captures")+": "+idsText(s.Held))
	}
	if n := len(s.Retired); n > 0 {
		first := slices.MinFunc(s.Retired, func(a, b *store.Capture) int { return a.Retired.At.Compare(b.Retired.At) })
		add("retired", fmt.Sprintf("%s; kist reclaim frees the first %s", screen.Count(n, "capture", "captures"), s.untilText(first)))
	}
	for i := range s.Places {
		add("copied", s.copiedText(&s.Places[i]))
	}
	stored := screen.Size(uint64(s.Stored))
	if s.free >= 0 {
		stored += "; " + screen.Size(uint64(s.free)) + " free on the medium"
	}
	add("stored", stored)
	for _, u := range s.upgrades {
		add("upgrade", screen.Printable(u.Container)+", begun "+screen.LocalTime(u.Began)+workText(u.AtWork(), "kist resume"))
	}
	for _, n := range s.stopped {
		add("stopped", cmp.Or(screen.Printable(n.Container), "held still by --before")+", since "+screen.LocalTime(n.Since)+workText(n.AtWork, toStart(n)))
	}
	if n := len(s.aside); n > 0 {
		add("set aside", fmt.Sprintf("%s on this machine (kist kept)", screen.Count(n, "entry", "entries")))
	}
	if s.Ahead > 0 {
		add("clock", "the medium has objects dated "+ageText(s.Ahead)+" ahead of this machine's clock")
	}
	return facts
}

// copiedText says what another place has, as far as this machine knows.
func (s *state) copiedText(p *store.PlaceStatus) string {
	text := "to " + placeText(p) + ": "
	if p.Last == nil {
		text += "no capture of these"
	} else {
		text += fmt.Sprintf("the newest is of %s, %s old", screen.LocalTime(p.Last.Taken), ageText(p.Age))
	}
	return text + "; by this machine last at " + screen.LocalTime(p.At)
}

func (s *state) untilText(c *store.Capture) string {
	until := c.Retired.At.Add(s.grace)
	if until.Before(s.At) {
		return "when it is run next"
	}
	return "after " + screen.LocalTime(until)
}

func workText(atWork bool, todo string) string {
	if atWork {
		return "; a run is at work"
	}
	return "; to do: " + todo
}

func verifiedText(v *store.Verification) string {
	if v == nil {
		return "never in full, as far as is known (kist verify --full)"
	}
	text := screen.LocalTime(v.At)
	if v.Host != "" {
		text += " on " + screen.Printable(v.Host)
	}
	switch v.Extent {
	case store.VerifiedFull:
		text += ", in full: "
	case store.VerifiedSample:
		text += fmt.Sprintf(", with %.3g%% of the frames: ", 100*v.Sample)
	default:
		text += ", no frame opened: "
	}
	if v.Damaged == 0 {
		return text + "no damage"
	}
	return text + screen.Count(v.Damaged, "damaged object", "damaged objects")
}

// idsText gives the first of many ids.
func idsText(all []*store.Capture) string {
	const most = 2
	var ids []string
	for _, c := range all[max(0, len(all)-most):] {
		ids = append(ids, c.ID)
	}
	if len(all) > most {
		ids = append([]string{"…"}, ids...)
	}
	return strings.Join(ids, " ")
}

// ageText gives an age in one unit, rounded down: nothing looks older than it is.
func ageText(d time.Duration) string {
	switch {
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(d.Hours()))
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}
