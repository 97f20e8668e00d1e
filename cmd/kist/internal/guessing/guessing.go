package guessing

import (
	"math"
	"strings"
	"unicode"
)

// Longest is how many characters are looked at: the time grows with more than their number, and what is
// longer is strong enough or repeats itself.
const Longest = 100

// What guessing takes, as a power of two. The first is of the paper, section 4.3 (a cardinality of 10); the
// others are common practice, no source.
var (
	bitsCharacter = math.Log2(10)         // one that fits nothing
	bitsDate      = math.Log2(365 * 120)  // a day of some lifetime
	bitsForm      = 2.0                   // how a date is written
	bitsYear      = math.Log2(120)        // a year of one
	bitsKeys      = math.Log2(2 * 4 * 12) // where a row of keys begins, and in which direction
	bitsSequence  = math.Log2(2 * 3 * 26) // where a sequence begins, and of what
)

// Bits estimates how many guesses find a passphrase, on average, as a power of two. It may be called by several
// goroutines at once.
func Bits(passphrase string) float64 {
	all := []rune(strings.ToValidUTF8(passphrase, "?"))
	return bits(all[:min(len(all), Longest)], read())
}

// bits is the cheapest way to put a text together of parts.
func bits(text []rune, words words) float64 {
	least := make([]float64, len(text)+1)
	for end := 1; end <= len(text); end++ {
		least[end] = least[end-1] + bitsCharacter
		for start := range end - 1 {
			if part, ok := partBits(text[start:end], words); ok {
				least[end] = min(least[end], least[start]+part)
			}
		}
	}
	return max(0, least[len(text)]-1) // on average half of all guesses
}

// partBits says what a part costs that fits a pattern.
func partBits(part []rune, words words) (float64, bool) {
	best := math.Inf(1)
	for _, pattern := range []func([]rune) (float64, bool){words.bits, dateBits, keysBits, sequenceBits, words.repeatBits} {
		if b, ok := pattern(part); ok {
			best = min(best, b)
		}
	}
	return best, !math.IsInf(best, 1)
}

// dateBits fits years of people alive, and dates in digits, with or without signs between them.
func dateBits(part []rune) (float64, bool) {
	digits, signs := 0, 0
	for _, c := range part {
		switch {
		case c >= '0' && c <= '9':
			digits++
		case strings.ContainsRune("-./ ", c):
			signs++
		default:
			return 0, false
		}
	}
	text := string(part)
	switch {
	case signs == 0 && digits == 4:
		return bitsYear, strings.HasPrefix(text, "19") || strings.HasPrefix(text, "20")
	case signs == 0 && (digits == 6 || digits == 8), signs == 2 && digits >= 4 && digits <= 8:
		return bitsDate + bitsForm, true
	}
	return 0, false
}

// keysBits fits neighbours in a row of a keyboard.
func keysBits(part []rune) (float64, bool) {
	if len(part) < 3 {
		return 0, false
	}
	forward := strings.ToLower(string(part))
	backward := reversed(forward)
	for _, row := range []string{"1234567890", "qwertyuiop", "asdfghjkl", "zxcvbnm", "qwertzuiop", "yxcvbnm", "azertyuiop", "qsdfghjklm", "wxcvbn",
		"1qaz2wsx3edc4rfv5tgb6yhn7ujm", "!@#$%^&*()"} {
		if strings.Contains(row, forward) || strings.Contains(row, backward) {
			return bitsKeys + math.Log2(float64(len(part))), true
		}
	}
	return 0, false
}

// sequenceBits fits characters whose numbers rise or fall evenly.
func sequenceBits(part []rune) (float64, bool) {
	if len(part) < 3 {
		return 0, false
	}
	step := part[1] - part[0]
	if step == 0 || step < -5 || step > 5 {
		return 0, false
	}
	for i := 2; i < len(part); i++ {
		if part[i]-part[i-1] != step {
			return 0, false
		}
	}
	return bitsSequence + math.Log2(float64(len(part))) + math.Log2(math.Abs(float64(step))), true
}

// repeatBits fits what is one piece, twice or more often.
func (w words) repeatBits(part []rune) (float64, bool) {
	for length := 1; length <= len(part)/2; length++ {
		if len(part)%length != 0 || !repeats(part, length) {
			continue
		}
		piece, ok := float64(length)*bitsCharacter, false
		if length > 1 {
			var b float64
			if b, ok = partBits(part[:length], w); ok {
				piece = min(piece, b)
			}
		}
		return piece + math.Log2(float64(len(part)/length)), true
	}
	return 0, false
}

func repeats(part []rune, length int) bool {
	for i := length; i < len(part); i++ {
		if part[i] != part[i-length] {
			return false
		}
	}
	return true
}

func reversed(s string) string {
	var b strings.Builder
	all := []rune(s)
	for i := len(all) - 1; i >= 0; i-- {
		b.WriteRune(all[i])
	}
	return b.String()
}

// capitals is what guessing a word's capital letters takes: nothing for none, one bit for the first or
// all, else one for each.
func capitals(part []rune) float64 {
	n := 0
	for _, c := range part {
		if unicode.IsUpper(c) {
			n++
		}
	}
	if n == 0 {
		return 0
	}
	if n == len(part) || n == 1 && unicode.IsUpper(part[0]) {
		return 1
	}
	return float64(n) + 1
}
