package drawer

import (
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Reading is what a file name says.
type Reading struct {
	Name    string    // of the service; "": it says none
	Version string    // as it stands there; "": it says none
	Taken   time.Time // zero: it says none; without a time of day, the beginning of the day
}

// endings are dropped from file names, whatever is in the file.
var endings = []string{
	".tar", ".tar.gz", ".tgz", ".taz", ".tar.zst", ".tzst", ".tar.xz", ".txz", ".tar.bz2", ".tbz", ".tbz2", ".tb2",
	".gz", ".zst", ".xz", ".bz2", ".zip",
}

// bare gives a file name without what says how it is packed.
func bare(file string) string {
	short := file
	for _, ending := range endings {
		if n := len(file) - len(ending); n > 0 && n < len(short) && strings.EqualFold(file[n:], ending) {
			short = file[:n]
		}
	}
	return short
}

// The parts of names, by common practice: dates as ISO 8601 writes them, or with _ and . in
// the place of -, and a time of day behind them; versions of two numbers at least, or behind
// a v.
const (
	dateForms = `(?:\d{4}-\d\d-\d\d|\d{4}_\d\d_\d\d|\d{4}\.\d\d\.\d\d|\d{8})`
	timeForms = `(?:\d\d[:-]\d\d(?:[:-]\d\d)?|\d\d_\d\d_\d\d|\d\d\.\d\d\.\d\d|\d\dh\d\d(?:m\d\ds?)?|\d{6}|\d{4})`
	zoneForms = `(?:[Zz]|[+-]\d\d:?\d\d)`
	versions  = `(?:[vV]?\d+(?:\.\d+)+(?:[-+~.]?(?:alpha|beta|rc|pre|dev|p|r)[-.]?\d*)?|[vV]\d+)`
)

var (
	datesIn    = regexp.MustCompile(dateForms)
	timeBehind = regexp.MustCompile(`^(?:[Tt_ ]|-|--|\.)?(` + timeForms + `)(` + zoneForms + `)?(?:[^0-9.]|\.[^0-9]|$)`)
	versionsIn = regexp.MustCompile(`(?:^|[-_@ ])(` + versions + `)(?:[-_ @]|$)`)
)

// separators stand between the parts of names.
const separators = " -_.@+~"

// Guess reads a file name by common practice, dates by a zone. It guesses nothing where days and
// months might be taken for each other: such a date is none, and [Doubtful] tells of it.
func Guess(file string, zone *time.Location) Reading {
	text := strings.ToValidUTF8(bare(file), "_")
	head, tail, taken := cutDate(text, zone)
	if taken.IsZero() {
		head, tail, taken = cutLateYear(text, zone)
	}
	r := Reading{Taken: taken}
	r.Name, r.Version = cutVersion(head)
	if r.Name == "" || r.Version == "" {
		name, version := cutVersion(tail)
		if r.Name == "" {
			r.Name = name
		}
		if r.Version == "" {
			r.Version = version
		}
	}
	return r
}

// cutDate takes the last date out of a name.
func cutDate(text string, zone *time.Location) (head, tail string, taken time.Time) {
	places := datesIn.FindAllStringIndex(text, -1)
	for i := len(places) - 1; i >= 0; i-- {
		from, to := places[i][0], places[i][1]
		if from > 0 && isDigit(text[from-1]) {
			continue
		}
		behind := text[to:]
		clock, offset := "", ""
		if m := timeBehind.FindStringSubmatchIndex(behind); m != nil {
			clock, to = behind[m[2]:m[3]], to+m[3]
			if m[4] >= 0 {
				offset, to = behind[m[4]:m[5]], to+m[5]-m[3]
			}
		}
		at, ok := dateOf(text[from:places[i][1]], clock, offset, zone)
		if !ok && clock != "" { // what follows is no time of day
			to = places[i][1]
			at, ok = dateOf(text[from:to], "", "", zone)
		}
		if !ok || to < len(text) && isDigit(text[to]) {
			continue
		}
		return strings.TrimRight(text[:from], separators), strings.TrimLeft(text[to:], separators), at
	}
	return text, "", time.Time{}
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// dateOf gives the time of a date and of a time of day, of which the second may be "".
func dateOf(date, clock, offset string, zone *time.Location) (time.Time, bool) {
	d, c := digitsOf(date), digitsOf(clock)
	if len(d) != 8 || len(c) != 0 && len(c) != 4 && len(c) != 6 {
		return time.Time{}, false
	}
	for len(c) < 6 {
		c += "00"
	}
	if offset != "" {
		at, err := time.Parse("20060102150405Z0700", d+c+strings.ToUpper(strings.Replace(offset, ":", "", 1)))
		return at, err == nil && at.Year() >= firstYear
	}
	at, err := time.ParseInLocation("20060102150405", d+c, zone)
	return at, err == nil && at.Year() >= firstYear
}

// firstYear is that of the first tar; what looks like an earlier date is a number.
const firstYear = 1979

func digitsOf(s string) string {
	return strings.Map(func(r rune) rune {
		if r < '0' || r > '9' {
			return -1
		}
		return r
	}, s)
}

// cutVersion takes the last version out of a text.
func cutVersion(text string) (name, version string) {
	text = strings.Trim(text, separators)
	at := []int(nil)
	for from := 0; ; {
		m := versionsIn.FindStringSubmatchIndex(text[from:])
		if m == nil {
			break
		}
		at = []int{from + m[2], from + m[3]}
		from = at[1] // the separator behind it may be the one before the next
	}
	if at == nil {
		return text, ""
	}
	head, tail := strings.Trim(text[:at[0]], separators), strings.Trim(text[at[1]:], separators)
	if head != "" && tail != "" {
		head += "-"
	}
	return head + tail, text[at[0]:at[1]]
}

// numberOf is for digits alone.
func numberOf(s string) int {
	n, _ := strconv.Atoi(s)
	return n
}
