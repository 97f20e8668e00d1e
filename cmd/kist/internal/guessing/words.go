package guessing

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"io"
	"math"
	"strings"
	"unicode"
)

//go:embed words.txt.gz
var packed []byte

// words are ranks: the commonest of a list is 1.
type words map[string]int

// longestWord is that of the lists, in bytes.
const longestWord = 40

// read unpacks the lists, in some 20 ms.
func read() words {
	all := words{}
	unpacked, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		panic(err) // they are part of the program
	}
	text, err := io.ReadAll(unpacked)
	if err != nil {
		panic(err)
	}
	for list := range strings.SplitSeq(string(text), "\n\n") {
		rank := 0
		for word := range strings.SplitSeq(list, "\n") {
			rank++
			if known, ok := all[word]; !ok || rank < known {
				all[word] = rank
			}
		}
	}
	delete(all, "")
	return all
}

// letters are those that digits and signs are written for, in the paper's table from memory.
var letters = map[rune]rune{
	'4': 'a', '@': 'a', '8': 'b', '(': 'c', '{': 'c', '[': 'c', '<': 'c', '3': 'e', '6': 'g', '9': 'g', '1': 'i', '!': 'i', '|': 'i',
	'0': 'o', '$': 's', '5': 's', '+': 't', '7': 't', '%': 'x', '2': 'z',
}

// bits fits words, in capital letters too, with digits and signs for letters, and backwards.
func (w words) bits(part []rune) (float64, bool) {
	if len(part) > longestWord {
		return 0, false
	}
	plain := make([]rune, len(part))
	swapped := 0
	for i, c := range part {
		plain[i] = unicode.ToLower(c)
		if letter, ok := letters[c]; ok {
			plain[i] = letter
			swapped++
		}
	}
	best := math.Inf(1)
	for word, more := range map[string]float64{
		strings.ToLower(string(part)): 0, string(plain): float64(swapped), // each sign that stands for a letter is one bit
	} {
		if rank, ok := w[word]; ok {
			best = min(best, more+math.Log2(float64(rank)))
		}
		if rank, ok := w[reversed(word)]; ok {
			best = min(best, more+1+math.Log2(float64(rank)))
		}
	}
	return best + capitals(part), !math.IsInf(best, 1)
}
