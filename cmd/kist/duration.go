package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/kistarchive/kist/store"
)

const day = 24 * time.Hour

// parseDuration reads a time span as 90m, 36h, 7d or 2w: one whole number and its unit.
func parseDuration(s string) (time.Duration, error) {
	unit := time.Duration(0)
	number := s
	for suffix, d := range map[string]time.Duration{"m": time.Minute, "h": time.Hour, "d": day, "w": 7 * day} {
		if n, ok := strings.CutSuffix(s, suffix); ok {
			number, unit = n, d
		}
	}
	n, err := strconv.ParseUint(number, 10, 32)
	if s != "0" && unit == 0 || err != nil || n > 0 && unit > math.MaxInt64/time.Duration(n) {
		return 0, fmt.Errorf("%q: write it as 36h, 7d or 2w", s)
	}
	return time.Duration(n) * unit, nil
}

// parseGrace reads the grace time of a run of reclaim: 0 is none.
func parseGrace(s string) (time.Duration, error) {
	d, err := parseDuration(s)
	switch {
	case err != nil:
		return 0, usagef("--grace %w", err)
	case d == 0:
		return store.NoGrace, nil
	}
	return d, nil
}
