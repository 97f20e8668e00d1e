package guessing

import (
	"math"
	"strings"
	"testing"
)

// TestBits compares with github.com/trustelem/zxcvbn v1.0.1, another implementation of the method, whose numbers of guesses
// were noted on 2026-11-29. That one multiplies by the order of parts and counts longer parts for more, so it may say
// more; a passphrase is not said to be much stronger here.
func TestBits(t *testing.T) {
	for passphrase, guesses := range map[string]float64{
		"": 1, "password": 3, "hello": 84, "seedbank2026": 5.1243508e+10, "Tr0ub4dour&3": 1.9058e+07, "qwertyuiop": 23,
		"14.03.2026": 29201, "aaaaaaaaaaaaaaaaaaaaaaaa": 289, "gravel unwashed mocker stubble platinum": 2.189624526575165e+28,
		"9bT#q!x0Vw2@Lr7z": 1e16, "correct horse battery staple": 2.13811968952e+20, "abcdefgh": 33, "P@ssw0rd": 17,
		"drowssap": 5, "Password1": 379, "19840512": 15331, "zxcvbn": 58, "maria1987": 15000, "abcabcabc": 40,
		"xk9Q-28fh-aa": 1e12, "Smith": 3, "monkeymonkey": 33, "2468": 41, "verlegen": 1e8,
	} {
		got, want := Bits(passphrase), math.Log2(guesses)
		if got > want+5 || got < want*0.65-5 {
			t.Errorf("%q takes 2^%.1f guesses, and 2^%.1f by the other one", passphrase, got, want)
		}
	}
}

// TestPatterns: each pattern makes less of its text than guessing characters does.
func TestPatterns(t *testing.T) {
	w := read()
	for name, c := range map[string]struct {
		pattern func([]rune) (float64, bool)
		fits    []string
		others  []string
	}{
		"words":      {w.bits, []string{"platinum", "PLATINUM", "pl4tinum", "munitalp"}, []string{"platinmu", "", strings.Repeat("a", 41)}},
		"dates":      {dateBits, []string{"1984", "2026", "14.3.26", "2026-03-14", "140326"}, []string{"3084", "14.3", "1-4.3-2", "12345", "14.3.x6"}},
		"keys":       {keysBits, []string{"QWE", "lkj", "1qaz", "!@#"}, []string{"qw", "qwx"}},
		"sequences":  {sequenceBits, []string{"abc", "9876", "aceg", "αβγ"}, []string{"ab", "aaa", "abd", "agm"}},
		"repetition": {w.repeatBits, []string{"xx", "xyxyxy", "platinumplatinum"}, []string{"x", "xyx", "xyxyx"}},
	} {
		for _, text := range c.fits {
			if b, ok := c.pattern([]rune(text)); !ok || b >= bitsCharacter*float64(len(text))+3 {
				t.Errorf("%s: %q takes %.1f bits, %t", name, text, b, ok)
			}
		}
		for _, text := range c.others {
			if b, ok := c.pattern([]rune(text)); ok {
				t.Errorf("%s: %q takes %.1f bits", name, text, b)
			}
		}
	}
}

// TestWords: the lists are there, each from its own rank 1 on.
func TestWords(t *testing.T) {
	w := read()
	if len(w) < 45_000 || w["password"] != 1 || w["you"] != 1 || w["mary"] != 1 || w["smith"] != 1 || w["gravel"] < 1_000 {
		t.Errorf("%d words: %d, %d, %d, %d, %d", len(w), w["password"], w["you"], w["mary"], w["smith"], w["gravel"])
	}
	for word := range w {
		if len(word) > longestWord {
			t.Errorf("%q is longer than any is said to be", word)
		}
	}
}

// TestMore: what is longer, or no text, is judged as well.
func TestMore(t *testing.T) {
	if got, all := Bits(strings.Repeat("k9Q-28fh_", 10_000)), Bits("k9Q-28fh_"); got < all || got > all+bitsCharacter+15 {
		t.Errorf("repeated: %.1f, once %.1f", got, all)
	}
	if got := Bits("\xff\xfe\x80\x9a\xc0\xc1\xfb\xea"); got <= 0 || math.IsInf(got, 0) || math.IsNaN(got) {
		t.Errorf("no text: %.1f", got)
	}
}
