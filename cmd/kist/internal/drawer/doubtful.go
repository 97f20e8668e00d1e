package drawer

import (
	"regexp"
	"strings"
	"time"
)

// Dates with the year behind: a day and a month in either order, or a month by its English name.
var (
	lateYearIn = regexp.MustCompile(`(?:^|[^0-9.])(\d{1,2})(?:-(\d{1,2})-|\.(\d{1,2})\.|_(\d{1,2})_)(\d{4})(?:[^0-9]|$)`)
	namedIn    = regexp.MustCompile(`(?i)(?:^|[^0-9.])(\d{1,2})[-_. ]?(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*[-_. ]?(\d{4})(?:[^0-9]|$)`)
)

// cutLateYear takes a date with the year behind out of a name, if there is one way alone to read it.
func cutLateYear(text string, zone *time.Location) (head, tail string, taken time.Time) {
	from, to := 0, 0
	if m := namedIn.FindStringSubmatchIndex(text); m != nil {
		from, to = m[2], m[7]
		month, _ := time.Parse("Jan", text[m[4]:m[5]])
		taken = dayOf(text[m[6]:m[7]], int(month.Month()), numberOf(text[m[2]:m[3]]), zone)
	} else if m := lateYearIn.FindStringSubmatch(text); m != nil {
		at := lateYearIn.FindStringSubmatchIndex(text)
		from, to = at[2], at[11]
		one, two := numberOf(m[1]), numberOf(m[2]+m[3]+m[4])
		dayFirst, monthFirst := dayOf(m[5], two, one, zone), dayOf(m[5], one, two, zone)
		switch {
		case monthFirst.IsZero(), monthFirst.Equal(dayFirst):
			taken = dayFirst
		case dayFirst.IsZero():
			taken = monthFirst
		}
	}
	if taken.IsZero() {
		return text, "", taken
	}
	return strings.TrimRight(text[:from], separators), strings.TrimLeft(text[to:], separators), taken
}

// dayOf gives the beginning of a day; zero: there is none such.
func dayOf(year string, month, day int, zone *time.Location) time.Time {
	at := time.Date(numberOf(year), time.Month(month), day, 0, 0, 0, 0, zone)
	if at.Day() != day || int(at.Month()) != month || at.Year() < firstYear {
		return time.Time{}
	}
	return at
}

// What may be meant as a date where Guess finds none: one in two orders, days that there are not, months alone, six digits
// that are a day in some order, seconds since 1970.
var (
	doubtfulIn = regexp.MustCompile(`(?:^|[^0-9])(\d{1,2}(?:-\d{1,2}-|\.\d{1,2}\.|_\d{1,2}_)\d{4}|(?:19[89]|20\d)\d(?:-\d\d(?:-\d\d)?|_\d\d(?:_\d\d)?|\.\d\d\.\d\d|[01]\d[0-3]\d)|1\d{9})(?:[^0-9]|$)`)
	sixIn      = regexp.MustCompile(`(?:^|[^0-9.])(\d{6})(?:[^0-9.]|$)`)
)

// Doubtful gives what in a name may be meant as a date, where Guess reads no date in it; "": nothing.
func Doubtful(file string) string {
	text := bare(file)
	if m := doubtfulIn.FindStringSubmatch(text); m != nil {
		return m[1]
	}
	if m := namedIn.FindStringSubmatch(text); m != nil {
		return strings.Trim(m[0], separators)
	}
	if m := sixIn.FindStringSubmatch(text); m != nil {
		for _, order := range []string{"060102", "020106", "010206"} {
			if _, err := time.Parse(order, m[1]); err == nil {
				return m[1]
			}
		}
	}
	return ""
}
