package names

import (
	"fmt"
	"math"
	"strconv"
)

// Count says how many there are of something, for people.
func Count[N int | int64 | uint64](n N, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// Size is a length in bytes for people, by the units of IEC 80000-13, as the program shows lengths: two digits below 10 of a unit, else
// whole ones.
func Size(n int64) string {
	if n < 1<<10 {
		return fmt.Sprintf("%d B", n)
	}
	value, unit := float64(n)/(1<<10), 0
	const units = "KMGTPE"
	for ; value >= 1<<10 && unit < len(units)-1; unit++ {
		value /= 1 << 10
	}
	digits := 0
	if math.Round(value*10) < 100 {
		digits = 1
	}
	return fmt.Sprintf("%.*f %ciB", digits, value, units[unit])
}

// MaxNumber is the highest number in a name: of a generation, of a renewal, of settings. Whoever can write, and lacks
// the key, can put a file of any name: beyond the highest number of all there would be no next one.
const MaxNumber = 999_999_999

// number reads a number in a name, from 0 to MaxNumber, as it is written.
func number(text string) (n int, ok bool) {
	n, err := strconv.Atoi(text)
	return n, err == nil && n >= 0 && n <= MaxNumber && strconv.Itoa(n) == text
}

// NextNumber gives a number above least, the one of what counts, of which no name is taken: above all that are, or
// where none is above these, the lowest that is free. ok is false where none is.
func NextNumber(least int, taken []int) (n int, ok bool) {
	highest, is := least, make(map[int]bool)
	for _, t := range taken {
		highest, is[t] = max(highest, t), true
	}
	if highest < MaxNumber {
		return highest + 1, true
	}
	for n = least + 1; is[n]; n++ {
	}
	return n, n <= MaxNumber
}
