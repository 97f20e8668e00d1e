package secrets

import (
	"strings"
	"testing"
	"time"
)

// TestEstimate: what is easily guessed is said to be weak, and words drawn at random are not.
func TestEstimate(t *testing.T) {
	for passphrase, weak := range map[string]bool{
		"a": true, "password": true, "seedbank2026": true, "Tr0ub4dour&3": true, "qwertyuiop": true, "14.03.2026": true,
		"aaaaaaaaaaaaaaaaaaaaaaaa": true,
		// Drawn from a list of 7,776 words (12.9 bits a word, so 65 bits of five).
		"gravel unwashed mocker stubble platinum": false,
		"9bT#q!x0Vw2@Lr7z":                        false,
	} {
		if s := estimate([]byte(passphrase)); s.weak() != weak {
			t.Errorf("%q is weak: %t (%s)", passphrase, s.weak(), s.text())
		}
	}
	// However long it is, the estimate ends.
	began := time.Now()
	estimate([]byte(strings.Repeat("correct horse ", 10_000)))
	if took := time.Since(began); took > time.Minute {
		t.Errorf("it took %v", took)
	}
	for years, want := range map[float64]string{0: "less than an hour", 0.001: "9 hours", 1: "365 days", 150: "150 years", 1e9: "millions of years"} {
		if got := yearsText(years); got != want {
			t.Errorf("%g years are %q, not %q", years, got, want)
		}
	}
}
