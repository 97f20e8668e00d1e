package screen

import (
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/dustin/go-humanize"
)

// Size is a number of bytes in IEC units.
func Size(n uint64) string { return humanize.IBytes(n) }

// SizeCell is a size for a column of sizes.
func SizeCell(n uint64) string { return fmt.Sprintf("%8s", Size(n)) }

// LocalTime is a time to the minute, by the local clock, with the zone: ids are in UTC, and so is
// what a server prints. Every time on the screen goes through it.
func LocalTime(t time.Time) string { return t.Local().Format("2006-01-02 15:04 MST") }

// Number is a number for people, its thousands apart.
func Number[N int | int64 | uint64](n N) string { return humanize.Comma(int64(n)) }

// Count says how many there are of something.
func Count[N int | int64 | uint64](n N, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return Number(n) + " " + many
}

// Visible tells whether a terminal shows a character as one, and does not obey it:
// not so controls, formats (among them the bidi controls of UAX #9), separators of
// lines, and what Unicode says to show as nothing (UAX #44,
// Default_Ignorable_Code_Point).
func Visible(r rune) bool {
	return strconv.IsGraphic(r) && !unicode.In(r, unicode.Other_Default_Ignorable_Code_Point, unicode.Variation_Selector)
}

// IsVisible tells whether text is UTF-8, and all of it visible.
func IsVisible(s string) bool {
	return utf8.ValidString(s) && strings.IndexFunc(s, func(r rune) bool { return !Visible(r) }) < 0
}

// Printable escapes what a terminal does not show as one character in its
// place. Backslashes are doubled, so that every name looks different.
func Printable(s string) string {
	return escape(s, func(r rune) bool { return r != '\\' && Visible(r) })
}

// Text escapes text of our own that names others' things: errors.
func Text(s string) string {
	return escape(s, func(r rune) bool { return r == '\n' || Visible(r) })
}

// Valid gives text with what is not UTF-8 in it replaced, for labels, which must be.
func Valid(s string) string { return strings.ToValidUTF8(s, "_") }

// Tabbed escapes a line of somebody's text, in which tabs stay.
func Tabbed(s string) string {
	return escape(s, func(r rune) bool { return r == '\t' || Visible(r) })
}

// Line escapes a name within such a text, which it must not break into lines.
func Line(s string) string { return escape(s, Visible) }

func escape(s string, keep func(rune) bool) string {
	var b strings.Builder
	for len(s) > 0 {
		r, n := utf8.DecodeRuneInString(s)
		switch {
		case r == utf8.RuneError && n == 1:
			fmt.Fprintf(&b, `\x%02x`, s[0])
		case keep(r):
			b.WriteRune(r)
		default:
			b.WriteString(strings.Trim(strconv.QuoteRuneToASCII(r), "'"))
		}
		s = s[n:]
	}
	return b.String()
}
