package cmdline

import (
	"strings"
)

// Nearest gives the known word that was most likely meant by one that is none of them, or ""
// where none is near. Case counts for nothing.
func Nearest(word string, known []string) string {
	best, least := "", tolerance(word)+1
	for _, k := range known {
		if d := distance(strings.ToLower(word), strings.ToLower(k)); d < least && d < len([]rune(k)) {
			best, least = k, d
		}
	}
	return best
}

// tolerance is how many slips of the hand a word of that length may have: common practice, no source.
func tolerance(word string) int { return 1 + len([]rune(word))/4 }

// Meant is a question to end an error with, or "" where nothing known is near.
func Meant(word string, known []string) string {
	if near := Nearest(word, known); near != "" {
		return "; did you mean " + near + "?"
	}
	return ""
}

// distance counts the characters to put in, take away, change, or swap with their neighbour, no
// place twice, to make one word another (the restricted distance of Damerau and Levenshtein).
func distance(from, to string) int {
	a, b := []rune(from), []rune(to)
	before, last := []int(nil), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := range a {
		row := make([]int, len(b)+1)
		row[0] = i + 1
		for j := range b {
			change := last[j]
			if a[i] != b[j] {
				change++
			}
			row[j+1] = min(last[j+1]+1, row[j]+1, change)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				row[j+1] = min(row[j+1], before[j-1]+1)
			}
		}
		before, last = last, row
	}
	return last[len(b)]
}
