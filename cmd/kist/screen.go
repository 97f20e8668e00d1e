package main

// The rules of the screen:
//
//   - Results go to standard output and everything else to standard error.
//   - Nothing is coloured, so NO_COLOR has nothing to switch off, and nothing
//     needs a terminal.
//   - Sizes are in IEC units, times are local and to the minute. JSON has bytes,
//     and times as RFC 3339 says.
//   - Whatever comes from a repository, a stream or a file system is escaped, so
//     that no name can steer a terminal or break a line.
//   - A table has lower-case headings, columns two spaces apart, and no rules.
//   - --quiet leaves results, warnings and errors.
//   - JSON is one line for each capture, member or key slot, so that it can be
//     read by line as well.

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"

	"github.com/dustin/go-humanize"
)

// output is standard output. It keeps the first error.
type output struct {
	w   io.Writer
	err error
}

func (o *output) Write(p []byte) (int, error) {
	if o.err != nil {
		return 0, o.err
	}
	n, err := o.w.Write(p)
	if err != nil {
		o.err = fmt.Errorf("writing to standard output: %w", err)
	}
	return n, o.err
}

// say prints a remark, unless --quiet was given.
func (a *app) say(format string, args ...any) {
	if !a.shared.quiet {
		fmt.Fprintf(a.stderr, format+"\n", args...)
	}
}

// warn prints a warning.
func (a *app) warn(format string, args ...any) {
	fmt.Fprintf(a.stderr, "Warning: "+format+"\n", args...)
}

// maxWarnings is how many of a kind are printed.
const maxWarnings = 20

// warnAll prints the first of many warnings, and how many there are besides.
func (a *app) warnAll(texts []string) {
	for i, text := range texts {
		if i == maxWarnings {
			a.warn("… and %d more.", len(texts)-i)
			return
		}
		a.warn("%s", text)
	}
}

// printf prints a result.
func (a *app) printf(format string, args ...any) { fmt.Fprintf(a.stdout, format, args...) }

// printJSON prints a result as one line of JSON.
func (a *app) printJSON(v any) error { return encodeJSON(a.stdout, v) }

func encodeJSON(w io.Writer, v any) error {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return err
	}
	_, err := io.WriteString(w, screenJSON(b.String()))
	return err
}

// screenJSON escapes, as JSON does, what a terminal may obey and encoding/json
// leaves as it is: DEL, the C1 controls, what turns the direction of text, and what
// does not show.
func screenJSON(s string) string {
	obeyed := func(r rune) bool { return r >= 0x7f && !visible(r) }
	if strings.IndexFunc(s, obeyed) < 0 {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		if !obeyed(r) {
			b.WriteRune(r)
			continue
		}
		for _, unit := range utf16.Encode([]rune{r}) {
			fmt.Fprintf(&b, `\u%04x`, unit)
		}
	}
	return b.String()
}

// jsonArray prints a JSON array element by element.
type jsonArray struct {
	w     io.Writer
	begun bool
}

func (j *jsonArray) add(v any) error {
	if err := j.separate(","); err != nil {
		return err
	}
	return encodeJSON(j.w, v)
}

func (j *jsonArray) separate(s string) error {
	if !j.begun {
		s = "["
	}
	j.begun = true
	_, err := io.WriteString(j.w, s)
	return err
}

func (j *jsonArray) end() error {
	if !j.begun {
		if err := j.separate("["); err != nil {
			return err
		}
	}
	_, err := io.WriteString(j.w, "]\n")
	return err
}

// table prints lines whose cells are separated by tabs.
func (a *app) table(lines []string) error {
	w := tabwriter.NewWriter(a.stdout, 0, 0, 2, ' ', 0)
	for _, line := range lines {
		fmt.Fprintln(w, line)
	}
	return w.Flush()
}

func size(n uint64) string { return humanize.IBytes(n) }

// sizeCell is a size for a column of sizes.
func sizeCell(n uint64) string { return fmt.Sprintf("%8s", size(n)) }

func localTime(t time.Time) string { return t.Local().Format("2006-01-02 15:04") }

// count says how many there are of something.
func count[N int | int64 | uint64](n N, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return humanize.Comma(int64(n)) + " " + many
}

// visible tells whether a terminal shows a character as one, and does not obey it:
// not so controls, formats (among them the bidi controls of UAX #9), separators of
// lines, and what Unicode says to show as nothing (UAX #44,
// Default_Ignorable_Code_Point).
func visible(r rune) bool {
	return strconv.IsGraphic(r) && !unicode.In(r, unicode.Other_Default_Ignorable_Code_Point, unicode.Variation_Selector)
}

// isVisible tells whether text is UTF-8, and all of it visible.
func isVisible(s string) bool {
	return utf8.ValidString(s) && strings.IndexFunc(s, func(r rune) bool { return !visible(r) }) < 0
}

// printable escapes what a terminal does not show as one character in its
// place. Backslashes are doubled, so that every name looks different.
func printable(s string) string {
	return escape(s, func(r rune) bool { return r != '\\' && visible(r) })
}

// screenText escapes text of our own that names others' things: errors.
func screenText(s string) string {
	return escape(s, func(r rune) bool { return r == '\n' || visible(r) })
}

// lineText escapes a name within such a text, which it must not break into lines.
func lineText(s string) string { return escape(s, visible) }

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
