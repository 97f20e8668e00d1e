package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/dustin/go-humanize"
)

// report is what one run prints, and writes as JSON.
type report struct {
	Measurement string  `json:"measurement"`
	Machine     machine `json:"machine"`
	Result      result  `json:"result"`
	Goals       []goal  `json:"goals"`
}

// goal is a figure and what it must be.
type goal struct {
	What    string  `json:"what"`
	Figure  float64 `json:"figure"`
	AtLeast float64 `json:"at_least,omitempty"`
	AtMost  float64 `json:"at_most,omitempty"`
	Unit    string  `json:"unit,omitempty"`
}

func (g goal) reached() bool {
	return g.Figure >= g.AtLeast && (g.AtMost == 0 || g.Figure <= g.AtMost)
}

func (g goal) row() []string {
	bound, verdict := fmt.Sprintf("at most %s%s", number(g.AtMost), g.Unit), "reached"
	if g.AtMost == 0 {
		bound = fmt.Sprintf("at least %s%s", number(g.AtLeast), g.Unit)
	}
	if !g.reached() {
		verdict = "MISSED"
	}
	return []string{g.What, number(g.Figure) + g.Unit, bound, verdict}
}

func (r *report) print(w io.Writer) error {
	tables := append([]table{r.Machine.table()}, r.Result.tables()...)
	if len(r.Goals) > 0 {
		t := table{title: "Goals", head: []string{"", "figure", "goal", ""}}
		for _, g := range r.Goals {
			t.add(g.row()...)
		}
		tables = append(tables, t)
	}
	for _, t := range tables {
		if err := t.print(w); err != nil {
			return err
		}
	}
	return nil
}

func (r *report) writeJSON(path string) error {
	b, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(path, append(b, '\n'), 0o644)
}

// table is printed with its first column to the left, the others to the right.
type table struct {
	title string
	head  []string // may be nil
	rows  [][]string
}

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

func (t *table) print(w io.Writer) error {
	lines := t.rows
	if t.head != nil {
		lines = slices.Concat([][]string{t.head}, t.rows)
	}
	var widths []int
	for _, cells := range lines {
		for i, c := range cells {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], utf8.RuneCountInString(c))
		}
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n", t.title)
	for _, cells := range lines {
		b.WriteString(strings.TrimRight(line(cells, widths), " ") + "\n")
	}
	b.WriteString("\n")
	_, err := io.WriteString(w, b.String())
	return err
}

func line(cells []string, widths []int) string {
	var b strings.Builder
	for i, c := range cells {
		pad := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(c))
		if i == 0 {
			b.WriteString("  " + c + pad)
		} else {
			b.WriteString("  " + pad + c)
		}
	}
	return b.String()
}

// count prints a number of bytes or things.
func count[N ~int | ~int64 | ~uint64](n N) string { return humanize.Comma(int64(n)) }

// number prints a figure: whole where it is large, with up to three decimals
// where it is small.
func number(f float64) string {
	if f >= 1000 {
		return humanize.Comma(int64(f + 0.5))
	}
	return humanize.Ftoa(math.Round(f*1000) / 1000)
}

func ratio(a, b int64) string { return fmt.Sprintf("%.3f", quotient(a, b)) }

// quotient gives a/b, and 0 where there is nothing to divide by.
func quotient(a, b int64) float64 {
	if b == 0 {
		return 0
	}
	return float64(a) / float64(b)
}

func seconds(s float64) string { return fmt.Sprintf("%.2f s", s) }

// speed prints bytes a second.
func speed(bytes int64, seconds float64) string {
	if seconds <= 0 {
		return ""
	}
	return fmt.Sprintf("%.0f MiB/s", float64(bytes)/(1<<20)/seconds)
}
