package secrets

import (
	"fmt"
	"math"

	"github.com/kistarchive/kist/cmd/kist/internal/guessing"
)

// A guess costs 64 MiB of memory (RFC 9106, as in package crypt) and, measured on this project's
// machine in November 2026, some 0.3 s of one core.
const (
	coreSeconds = 0.3
	attackers   = 1000 // cores, in what is said
)

// weakYears is the time below which a warning is given: our choice, no source.
const weakYears = 100

// strength is an estimate of what guessing a passphrase costs.
type strength struct {
	bits  float64 // guesses, as a power of two, on average
	years float64 // of attackers
}

// estimate judges a passphrase by the words, names, dates, keyboard rows and repetitions in it.
func estimate(passphrase []byte) strength {
	bits := guessing.Bits(string(passphrase))
	return strength{bits, math.Exp2(bits) * coreSeconds / attackers / (365.25 * 24 * 3600)}
}

// text says it.
func (s strength) text() string {
	return fmt.Sprintf("by an estimate, some 2^%.0f guesses find this passphrase: %s for %d processor cores", s.bits, yearsText(s.years), attackers)
}

func (s strength) weak() bool { return s.years < weakYears }

func yearsText(years float64) string {
	switch hours := years * 365.25 * 24; {
	case hours < 1:
		return "less than an hour"
	case hours < 48:
		return fmt.Sprintf("%.0f hours", hours)
	case years < 2:
		return fmt.Sprintf("%.0f days", years*365.25)
	case years < 1e6:
		return fmt.Sprintf("%.0f years", years)
	}
	return "millions of years"
}

// sayStrength tells whoever chose a passphrase how long it withstands.
func (s *Source) sayStrength(passphrase []byte) {
	found := estimate(passphrase)
	if found.weak() {
		s.Screen.Warn("%s. Whoever can read the repository can guess at leisure: five or six words drawn at random from a long list withstand that (kist passphrase change).", found.text())
		return
	}
	s.Screen.Say("Strength: %s.", found.text())
}
