package vault

import (
	"cmp"
	"fmt"
	"time"

	"github.com/kistarchive/kist/chunk"
)

// Settings are what a repository is made with. All but Parity and Deltas can't be changed later.
type Settings struct {
	Average   int           // length of a chunk, in bytes
	Grace     time.Duration // 0: DefaultGrace
	NoRecheck bool          // frames are not read back before they are sealed
	Apart     string        // how captures of different names are kept apart
	Reserve   int64         // bytes kept for when the medium is full; it stands nowhere else

	Parity int    // see SetParity
	Deltas string // see SetDeltas
	Host   string // where it is done, for people
}

// DefaultGrace is the grace time of a repository that was made without one.
const DefaultGrace = 7 * 24 * time.Hour

// Bounds of a grace time. Shorter than a minute, captures that are made meanwhile
// could not be told from what is left over.
const (
	minGrace = time.Minute
	maxGrace = 10 * 366 * 24 * time.Hour
)

// The ways of keeping captures apart.
const (
	Together        = ""
	ApartCompressed = "compressed"
	ApartStored     = "stored"
)

func knownApart(s string) bool { return s == Together || s == ApartCompressed || s == ApartStored }

// check fails with ErrBadOptions.
func (s *Settings) check() error {
	if err := checkAverage(s.Average); err != nil {
		return err
	}
	if err := checkGrace(s.Grace); err != nil {
		return err
	}
	if err := cmp.Or(CheckReserve(s.Reserve), checkParity(s.Parity), checkDeltas(s.Deltas), checkDeltasApart(s.Deltas, s.Apart)); err != nil {
		return err
	}
	if !knownApart(s.Apart) {
		return fmt.Errorf("%w: captures apart in the way %.40q", ErrBadOptions, s.Apart)
	}
	return nil
}

// areChanging tells whether there are some of those settings that may be changed.
func (s *Settings) areChanging() bool { return s.Parity != 0 || s.Deltas != "" }

func checkAverage(n int) error {
	if n < chunk.MinAverage || n > chunk.MaxAverage || n&(n-1) != 0 {
		return fmt.Errorf("%w: an average chunk length of %d: it is a power of two from %d to %d bytes",
			ErrBadOptions, n, chunk.MinAverage, chunk.MaxAverage)
	}
	return nil
}

func checkGrace(d time.Duration) error {
	if d != 0 && (d < minGrace || d > maxGrace || d%time.Second != 0) {
		return fmt.Errorf("%w: a grace time of %v: it is whole seconds, from %v to %v", ErrBadOptions, d, minGrace, maxGrace)
	}
	return nil
}
