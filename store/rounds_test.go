package store_test

import (
	"flag"
	"os"
	"strconv"
	"testing"
	"testing/synctest"

	"pgregory.net/rapid"
)

// rounds gives how often a test goes on: KIST_TEST_ROUNDS times, or as often as it
// says itself.
func rounds(t testing.TB, usual int) int {
	t.Helper()
	s := os.Getenv("KIST_TEST_ROUNDS")
	if s == "" {
		return usual
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 {
		t.Fatalf("KIST_TEST_ROUNDS is %q: it is a number of rounds", s)
	}
	return n
}

// checkRounds is rapid.Check with a number of runs.
func checkRounds(t *testing.T, n int, check func(*rapid.T)) {
	t.Helper()
	before := flag.Lookup("rapid.checks").Value.String()
	flag.Set("rapid.checks", strconv.Itoa(n))
	defer flag.Set("rapid.checks", before)
	rapid.Check(t, check)
}

// inBubble runs a check in a bubble of its own, where time passes at once.
func inBubble(t *testing.T, check func(*rapid.T)) func(*rapid.T) {
	return func(rt *rapid.T) {
		var failure any
		synctest.Test(t, func(*testing.T) {
			defer func() { failure = recover() }()
			check(rt)
		})
		if failure != nil {
			panic(failure) // by which rapid knows that the check failed
		}
	}
}

// oneByOne skips a test that takes long and does one thing after the other, where tests are shortened, as with the race detector.
func oneByOne(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("shortened")
	}
}
