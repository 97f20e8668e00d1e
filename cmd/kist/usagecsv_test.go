package main

import "testing"

// TestCSVText: a formula stays text, also where a spreadsheet splits at ; or tabs, or takes spaces away (OWASP, "CSV Injection",
// from memory; many spreadsheets split at ; by their language, common practice without a source).
func TestCSVText(t *testing.T) {
	for in, want := range map[string]string{
		"seedbank":     "seedbank",
		"4.1;old":      "4.1;old",
		"=1+1":         "'=1+1",
		"  =1+1":       "'  =1+1",
		"seed;=1+1":    "'seed,=1+1",
		"seed; @x;y":   "'seed, @x,y",
		"seed;\"=1+1":  "'seed,\"=1+1",
		"seed-bank;-1": "'seed-bank,-1",
	} {
		if got := csvText(in); got != want {
			t.Errorf("%q: %q, not %q", in, got, want)
		}
	}
}
