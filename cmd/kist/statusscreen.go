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

// The screen of kist status has 80 columns: what may be long is shortened in its middle.
const (
	screenWidth = 80
	nameWidth   = 14
	hostWidth   = 12
	wantsShown  = 20
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
		a.Printf("%s\n", runewidth.Truncate("Wanted: "+w.text, screenWidth, "…"))
	}
	a.Printf("\n")
	if len(s.Services) > 0 {
		for _, line := range serviceLines(s.Services) {
			a.Printf("%s\n", line)
		}
		a.Printf("\n")
	}
	for _, fact := range s.facts() {
		a.Printf("%-10s  %s\n", fact[0], runewidth.Truncate(fact[1], screenWidth-12, "…"))
	}
	return nil
}

// serviceLines are the table of services, each with a line of remarks where there are some.
func serviceLines(all []store.ServiceStatus) []string {
	name, host, taken := len("name"), len("host"), len("last capture")
	for i := range all {
		if all[i].Last != nil {
			taken = max(taken, runewidth.StringWidth(screen.LocalTime(all[i].Last.Taken)))
		}
		name = max(name, runewidth.StringWidth(short(all[i].Name, nameWidth)))
		host = max(host, runewidth.StringWidth(short(all[i].Host, hostWidth)))
	}
	line := func(cells ...string) string {
		return strings.TrimRight(fmt.Sprintf("%s  %s  %-*s  %-8s  %s",
			runewidth.FillRight(cells[0], name), runewidth.FillRight(cells[1], host), taken, cells[2], cells[3], cells[4]), " ")
	}
	lines := []string{line("name", "host", "last capture", "age", "rehearsed")}
	for i := range all {
		s := &all[i]
		last, age, rehearsed := "none", "", ""
		if s.Last != nil {
			last, age = screen.LocalTime(s.Last.Taken), ageText(s.Age)
		}
		if s.Rehearsed != nil {
			rehearsed = rehearsedCell(s.Rehearsed)
		}
		lines = append(lines, line(short(s.Name, nameWidth), short(s.Host, hostWidth), last, age, rehearsed))
		if remarks := remarksOf(s); remarks != "" {
			lines = append(lines, "  "+runewidth.Truncate(remarks, screenWidth-2, "…"))
		}
	}
	return lines
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
	stored := screen.Size(uint64(s.Stored))
	if s.free >= 0 {
		stored += "; " + screen.Size(uint64(s.free)) + " free on the medium"
	}
	add("stored", stored)
	for _, u := range s.upgrades {
		add("upgrade", short(u.Service, nameWidth)+", begun "+screen.LocalTime(u.Began)+workText(u.AtWork, "kist resume"))
	}
	for _, n := range s.stopped {
		add("stopped", cmp.Or(short(n.Container, nameWidth), "held still by --before")+", since "+screen.LocalTime(n.Since)+workText(n.AtWork, toStart(n)))
	}
	if n := len(s.aside); n > 0 {
		add("set aside", fmt.Sprintf("%s on this machine (kist kept)", screen.Count(n, "entry", "entries")))
	}
	if s.Ahead > 0 {
		add("clock", "the medium has objects dated "+ageText(s.Ahead)+" ahead of this machine's clock")
	}
	return facts
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
		text += " on " + short(v.Host, hostWidth)
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

// short escapes a name, and shortens it in its middle where it is wider than that many columns.
func short(name string, width int) string {
	name = screen.Printable(name)
	if runewidth.StringWidth(name) <= width {
		return name
	}
	half := (width - 1) / 2
	return runewidth.Truncate(name, width-1-half, "") + "…" + runewidth.TruncateLeft(name, runewidth.StringWidth(name)-half, "")
}
