package units

import (
	"context"
	"os/exec"
	"regexp"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
)

// CheckCalendar fails with a *cmdline.UsageError for what systemd.time(7) has no meaning for: by
// systemd-analyze(1) where it is there, else by its form.
func CheckCalendar(ctx context.Context, when string) error {
	if when == "" || strings.ContainsAny(when, "\n\r") {
		return cmdline.Usagef("--on-calendar %q: it must be one line", when)
	}
	program, err := exec.LookPath("systemd-analyze")
	if err != nil {
		return checkForm(when)
	}
	if out, err := exec.CommandContext(ctx, program, "calendar", "--", when).CombinedOutput(); err != nil {
		why, _, _ := strings.Cut(strings.TrimSpace(string(out)), "\n")
		return cmdline.Usagef("--on-calendar %q: systemd-analyze calendar does not take it: %s", when, why)
	}
	return nil
}

// words that stand for times (systemd.time(7), "Calendar Events").
var calendarWords = []string{"minutely", "hourly", "daily", "monthly", "weekly", "yearly", "annually", "quarterly", "semiannually"}

// The parts of a time as systemd.time(7) has them: days of the week, a date, a time of day, a zone.
var (
	number = `(\*|[0-9]+)(\.\.[0-9]+)?(/[0-9]+)?`
	list   = number + `(,` + number + `)*`
	day    = `(mon(day)?|tue(sday)?|wed(nesday)?|thu(rsday)?|fri(day)?|sat(urday)?|sun(day)?)`

	calendarParts = []*regexp.Regexp{
		regexp.MustCompile(`^(?i)` + day + `([,.-]{1,2}` + day + `)*,?$`),
		regexp.MustCompile(`^(` + list + `-)?` + list + `[-~]` + list + `$`),
		regexp.MustCompile(`^` + list + `:` + list + `(:` + list + `(\.[0-9]+)?)?$`),
		regexp.MustCompile(`^(UTC|[A-Za-z]+(/[A-Za-z0-9_+-]+)+)$`),
	}
)

// checkForm takes what has the parts of a time in their order, each once at most.
func checkForm(when string) error {
	words := strings.Fields(when)
	if len(words) > 0 && slices.Contains(calendarWords, strings.ToLower(words[0])) {
		words = words[1:]
		if len(words) == 0 || len(words) == 1 && calendarParts[len(calendarParts)-1].MatchString(words[0]) {
			return nil
		}
	}
	next := 0
	if len(words) < len(strings.Fields(when)) {
		next = len(calendarParts) - 1 // behind such a word stands a zone, or nothing
	}
	for _, word := range words {
		for next < len(calendarParts) && !calendarParts[next].MatchString(word) {
			next++
		}
		if next == len(calendarParts) {
			return cmdline.Usagef("--on-calendar %q: %q is nothing that systemd.time(7) knows there: write it as daily, \"Sun 02:03\" or \"*-*-* 02:03\"", when, word)
		}
		next++
	}
	if len(words) == 0 || len(words) == 1 && calendarParts[len(calendarParts)-1].MatchString(words[0]) {
		return cmdline.Usagef("--on-calendar %q: it names no time", when)
	}
	return nil
}

// unitName is what units are called (systemd.unit(5)), specifiers such as %n and an instance allowed.
var unitName = regexp.MustCompile(`^[A-Za-z0-9:_.\\@%-]+\.(service|target|path|timer|socket|mount|device|swap|slice|scope|automount)$`)

// CheckName fails with a *cmdline.UsageError for what no unit is called.
func CheckName(unit string) error {
	if !unitName.MatchString(unit) || len(unit) > 255 {
		return cmdline.Usagef("--on-failure %q: it must be the name of a unit, such as tell-me.service or tell-me@%%n.service", unit)
	}
	return nil
}
