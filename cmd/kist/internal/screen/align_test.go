package screen

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"text/tabwriter"

	"pgregory.net/rapid"
)

// TestAlign: tables are laid out as text/tabwriter of Go's library does it, where each character takes one column.
func TestAlign(t *testing.T) {
	cell := rapid.StringMatching(`[a-z0-9 é…]{0,5}`)
	rapid.Check(t, func(t *rapid.T) {
		gap := rapid.IntRange(1, 3).Draw(t, "gap")
		var lines []string
		for _, cells := range rapid.SliceOfN(rapid.SliceOfN(cell, 1, 4), 0, 6).Draw(t, "rows") {
			lines = append(lines, strings.Join(cells, "\t"))
		}
		var want bytes.Buffer
		w := tabwriter.NewWriter(&want, 0, 0, gap, ' ', 0)
		for _, line := range lines {
			fmt.Fprintln(w, line)
		}
		w.Flush()
		if got := align(lines, gap); got != want.String() {
			t.Fatalf("%q:\n%s\nnot\n%s", lines, got, want.String())
		}
	})
}

// TestWide: characters that take two columns (UAX #11, East Asian Width: W) are counted as two, in tables and in prose.
func TestWide(t *testing.T) {
	const beans = "種子庫" // three characters, six columns
	if n := Columns(beans); n != 6 {
		t.Fatalf("%d columns", n)
	}
	if got, want := align([]string{"name\tsize", beans + "\t1", "bed\t2"}, 2), "name    size\n"+beans+"  1\nbed     2\n"; got != want {
		t.Errorf("%q, not %q", got, want)
	}
	if got, want := Wrap(beans+" "+beans, 12), beans+"\n"+beans; got != want {
		t.Errorf("%q, not %q", got, want)
	}
	var out bytes.Buffer
	s := New(&out, &bytes.Buffer{})
	s.Columns = 40
	long := strings.Repeat(beans, 7)
	if err := s.FitTable([]string{"name\tsize", long + "\t1"}, "name"); err != nil {
		t.Fatal(err)
	}
	for line := range strings.SplitSeq(out.String(), "\n") {
		if Columns(line) > 40 {
			t.Errorf("%d columns: %s", Columns(line), line)
		}
	}
}
