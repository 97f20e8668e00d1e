package screen

import (
	"cmp"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"

	"golang.org/x/term"
)

// MinColumns is how narrow a screen may be for tables and texts to be fitted to it.
const MinColumns = 40

// What goes to a terminal is fitted to its width: prose is broken between words, and of tables
// long names are shortened. What goes elsewhere is as long as it is.

// Width gives how many columns results have, 0 for no end.
func (s *Screen) Width() int { return s.widthOf(s.Out.w) }

func (s *Screen) widthOf(stream any) int {
	if s.Columns > 0 {
		return s.Columns
	}
	if f, ok := stream.(*os.File); ok && IsTerminal(f) {
		if columns, _, err := term.GetSize(int(f.Fd())); err == nil && columns > 0 {
			return max(columns, MinColumns)
		}
		return 80
	}
	return 0
}

// Tell prints a result that is prose.
func (s *Screen) Tell(format string, args ...any) {
	s.Printf("%s", Wrap(fmt.Sprintf(format, args...), s.Width()))
}

// Wrap breaks lines between words, so that none is longer than so many columns but where one word
// is; 0 is no end. What follows in place of a line is indented as that is, or as its text where a number or a label stands before it.
func Wrap(text string, columns int) string {
	if columns <= 0 {
		return text
	}
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		lines[i] = wrapLine(line, columns)
	}
	return strings.Join(lines, "\n")
}

// labelled matches what stands before the text of an indented line: "  1. ", "  to do:  ".
var labelled = regexp.MustCompile(`^ +(?:[0-9]+\. |[a-z][a-z ]{0,9}: +)`)

func wrapLine(line string, columns int) string {
	if Columns(line) <= columns {
		return line
	}
	start := line[:len(line)-len(strings.TrimLeft(line, " "))]
	if head := labelled.FindString(line); head != "" {
		start = head
	}
	indent := strings.Repeat(" ", len(start))
	var b strings.Builder
	at := 0
	for i, word := range strings.Fields(line[len(start):]) {
		n := Columns(word)
		switch {
		case i == 0:
			b.WriteString(start)
			at = len(start)
		case at+1+n > columns:
			b.WriteString("\n" + indent)
			at = len(indent)
		default:
			b.WriteString(" ")
			at++
		}
		b.WriteString(word)
		at += n
	}
	return b.String()
}

// leastCell is how short a cell may become.
const leastCell = 8

// zoned is a local time with its zone at the end, as LocalTime gives it.
var zoned = regexp.MustCompile(`^[0-9-]{10} [0-9:]{5} ([A-Z]{3,5}|[+-][0-9]{2,4})$`)

// grid is a table whose lines are cells; the first line is the titles.
type grid struct {
	rows   [][]string
	gap    int
	widths []int
}

func newGrid(lines []string) *grid {
	g := &grid{gap: 2}
	for _, line := range lines {
		g.rows = append(g.rows, strings.Split(line, "\t"))
	}
	g.measure()
	return g
}

func (g *grid) measure() {
	g.widths = nil
	for _, row := range g.rows {
		for i, cell := range row {
			if i == len(g.widths) {
				g.widths = append(g.widths, 0)
			}
			g.widths[i] = max(g.widths[i], Columns(cell))
		}
	}
}

// width is that of the longest line.
func (g *grid) width() (columns int) {
	for _, w := range g.widths {
		columns += w + g.gap
	}
	return max(columns-g.gap, 0)
}

func (g *grid) lines() (lines []string) {
	for _, row := range g.rows {
		lines = append(lines, strings.Join(row, "\t"))
	}
	return lines
}

// fit makes a table as narrow as is asked for, if it can be. A zone that all times of a column
// have goes into its title, columns come nearer, and cells of the columns of some titles are
// shortened, the widest first. shortened tells whether any is.
func (g *grid) fit(columns int, shorten []string) (shortened bool) {
	if g.width() > columns {
		g.zonesIntoTitles()
	}
	if g.width() > columns {
		g.gap = 1
	}
	for g.width() > columns {
		widest := -1
		for i, title := range g.rows[0] {
			if slices.Contains(shorten, strings.TrimSpace(title)) && g.widths[i] > leastCell && (widest < 0 || g.widths[i] > g.widths[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			return shortened
		}
		shortened = true
		g.shortenColumn(widest, g.widths[widest]-1)
	}
	return shortened
}

func (g *grid) shortenColumn(i, columns int) {
	for _, row := range g.rows {
		if i < len(row) {
			row[i] = Shorten(row[i], columns)
		}
	}
	g.widths[i] = columns
}

// zonesIntoTitles writes the zone of times once, where it is the same in all rows.
func (g *grid) zonesIntoTitles() {
	for i, title := range g.rows[0] {
		zone := ""
		same := len(g.rows) > 1
		for _, row := range g.rows[1:] {
			m := zoned.FindStringSubmatch(strings.TrimSpace(row[min(i, len(row)-1)]))
			same = same && i < len(row) && m != nil && (zone == "" || zone == m[1])
			if m != nil {
				zone = m[1]
			}
		}
		if !same {
			continue
		}
		g.rows[0][i] = title + " (" + zone + ")"
		for _, row := range g.rows[1:] {
			row[i] = strings.TrimSuffix(row[i], " "+zone)
		}
	}
	g.measure()
}

// Fits tells whether a table needs no fitting.
func (s *Screen) Fits(lines []string) bool {
	columns := s.Width()
	return columns == 0 || newGrid(lines).width() <= columns
}

// FitTable is Table, of which cells of the columns with some titles are shortened in the middle
// where a terminal is too narrow. Where that does not suffice it says what would.
func (s *Screen) FitTable(lines []string, shorten ...string) error {
	columns := s.Width()
	if columns == 0 || len(lines) == 0 {
		return s.table(lines, 2)
	}
	g := newGrid(lines)
	natural := g.width()
	shortened := g.fit(columns, shorten)
	err := s.table(g.lines(), g.gap)
	switch width := g.width(); {
	case width > columns:
		s.Say("This table is best at %d columns.", cmp.Or(natural, width))
	case shortened:
		s.Say("(Shortened where … stands: %d columns show all of it, and so does a pipe.)", natural)
	}
	return err
}

// Table prints lines whose cells are separated by tabs.
func (s *Screen) Table(lines []string) error { return s.FitTable(lines) }
