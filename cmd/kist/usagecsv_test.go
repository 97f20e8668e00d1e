package main

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// TestCSVText: a formula stays text, also where a spreadsheet splits at ; or tabs, or takes spaces away (OWASP, "CSV Injection",
// from memory; many spreadsheets split at ; by their language, common practice without a source).
func TestCSVText(t *testing.T) {
	for in, want := range map[string]string{
		"seedbank":     "seedbank",
		"4.1;old":      "4.1;old",
		"=1+1":         "'=1+1",
		"+1":           "'+1",
		"@sum":         "'@sum",
		"＝1":           "'＝1",
		"  =1+1":       "'  =1+1",
		"\u00a0=1":     "'\u00a0=1",
		"\u3000=1":     "'\u3000=1",
		"'=1":          "''=1",
		"seed;=1+1":    "'seed,=1+1",
		"seed;;=1":     "'seed,,=1",
		"seed,=1":      "'seed,=1",
		"seed; @x;y":   "'seed, @x,y",
		"seed;\"=1+1":  "'seed,\"=1+1",
		"seed-bank;-1": "'seed-bank,-1",
		"seed-bank":    "seed-bank",
		"é;ü":          "é;ü",
		"":             "",
	} {
		if got := csvText(in); got != want {
			t.Errorf("%q: %q, not %q", in, got, want)
		}
	}
}

// TestCSVCells: no text of anybody's comes into the file as a formula, in no column, by whatever it is split.
func TestCSVCells(t *testing.T) {
	const evil, hidden = "=cmd()", "seed;=cmd()"
	for _, text := range []string{evil, hidden} {
		u := &store.Usage{
			Captures: []store.CaptureUsage{{Capture: &store.Capture{ID: "20260314t0203z-k7f3", Name: text, Version: text, Host: text}}},
			Names:    []store.NameUsage{{Name: text}},
			Hosts:    []store.HostUsage{{Host: text}},
		}
		var out bytes.Buffer
		if err := writeUsageCSV(&out, u, nil); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(bytes.NewReader(out.Bytes())).ReadAll()
		if err != nil || len(rows) != 5 {
			t.Fatalf("%q, %v", rows, err)
		}
		for _, comma := range []rune{',', ';', '\t'} {
			r := csv.NewReader(bytes.NewReader(out.Bytes()))
			r.Comma, r.LazyQuotes, r.FieldsPerRecord = comma, true, -1
			rows, err := r.ReadAll()
			if err != nil {
				t.Fatal(err)
			}
			for _, row := range rows {
				for _, cell := range row {
					if strings.HasPrefix(strings.TrimLeft(cell, " \""), "=") {
						t.Errorf("split at %q: %q is a formula, in %q", comma, cell, row)
					}
				}
			}
		}
		if n := strings.Count(out.String(), "'"); n != 5 {
			t.Errorf("%d cells of 5 are made text: %s", n, &out)
		}
	}
}
