package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestTable(t *testing.T) {
	one := table{title: "Sizes", head: []string{"", "bytes"}}
	one.add("größer", "1,024")
	one.add("x", "7")
	one.add("remark")
	var b bytes.Buffer
	if err := one.print(&b); err != nil {
		t.Fatal(err)
	}
	want := "Sizes\n" +
		"          bytes\n" +
		"  größer  1,024\n" +
		"  x           7\n" +
		"  remark\n\n"
	if b.String() != want {
		t.Errorf("printed\n%swant\n%s", b.String(), want)
	}
}

func TestGoals(t *testing.T) {
	for _, c := range []struct {
		goal    goal
		reached bool
		bound   string
	}{
		{goal{Figure: 0.2, AtMost: 0.21}, true, "at most 0.21"},
		{goal{Figure: 0.22, AtMost: 0.21}, false, "at most 0.21"},
		{goal{Figure: 0.8, AtLeast: 0.8}, true, "at least 0.8"},
		{goal{Figure: 0.79, AtLeast: 0.8}, false, "at least 0.8"},
		{goal{Figure: 16385, AtMost: 16 << 10, Unit: " bytes"}, false, "at most 16,384 bytes"},
	} {
		if got := c.goal.reached(); got != c.reached {
			t.Errorf("%+v: reached %v", c.goal, got)
		}
		row := c.goal.row()
		if row[2] != c.bound || (row[3] == "reached") != c.reached {
			t.Errorf("%+v: printed as %q", c.goal, row)
		}
	}
}

func TestNumber(t *testing.T) {
	for f, want := range map[float64]string{0: "0", 0.1234: "0.123", 0.2069: "0.207", 2: "2", 999.5: "999.5", 16384: "16,384", 1999.6: "2,000"} {
		if got := number(f); got != want {
			t.Errorf("number(%v) = %q, want %q", f, got, want)
		}
	}
}

func TestMedian(t *testing.T) {
	for _, c := range []struct {
		in   []float64
		want float64
	}{
		{nil, 0}, {[]float64{3}, 3}, {[]float64{9, 1, 2}, 2}, {[]float64{4, 1, 2, 100}, 3},
	} {
		if got := median(c.in); got != c.want {
			t.Errorf("median(%v) = %v, want %v", c.in, got, c.want)
		}
	}
}

func TestQuotient(t *testing.T) {
	if got := quotient(1, 4); got != 0.25 {
		t.Errorf("quotient(1, 4) = %v", got)
	}
	if got := quotient(1, 0); got != 0 {
		t.Errorf("quotient(1, 0) = %v", got)
	}
}

func TestTotals(t *testing.T) {
	s := series{Title: "s", Stored: 55, AtMost: 0.5, Captures: []addition{
		{Label: "a", TarBytes: 100, Alone: 50, Added: 50}, {Label: "b", TarBytes: 100, Alone: 60, Added: 4},
	}}
	r := seriesResult{[]series{s}}
	total := s.total()
	if total.TarBytes != 200 || total.Alone != 110 || total.Added != 54 {
		t.Errorf("total %+v", total)
	}
	if g := r.goals(); len(g) != 1 || g[0].Figure != 0.5 || !g[0].reached() {
		t.Errorf("goals %+v", g)
	}
	var b bytes.Buffer
	if err := (&report{Result: r}).print(&b); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "0.500") {
		t.Errorf("the ratio is not in\n%s", b.String())
	}
}

func TestJSON(t *testing.T) {
	path := filepath.Join(t.TempDir(), "report.json")
	r := report{Measurement: "speed", Machine: machine{Cores: 2}, Result: speedResult{InputBytes: 7}}
	r.Goals = r.Result.goals()
	if err := r.writeJSON(path); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Measurement string
		Machine     struct{ Cores int }
		Result      struct {
			InputBytes int `json:"input_bytes"`
		}
		Goals []goal
	}
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	if got.Measurement != "speed" || got.Machine.Cores != 2 || got.Result.InputBytes != 7 || len(got.Goals) != len(r.Goals) {
		t.Errorf("read back %+v", got)
	}
}
