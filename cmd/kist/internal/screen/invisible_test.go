package screen

import (
	"encoding/json"
	"os/exec"
	"strings"
	"testing"
	"unicode"
)

// unseen are all characters of the Unicode categories for controls, formats (the bidi
// controls of UAX #9 and what has no width among them), and separators of lines and
// paragraphs, and those that Unicode says to show as nothing (DerivedCoreProperties.txt,
// Default_Ignorable_Code_Point; UAX #44).
func unseen() (all []rune) {
	for r := rune(0); r <= unicode.MaxRune; r++ {
		if unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp, unicode.Other_Default_Ignorable_Code_Point, unicode.Variation_Selector) {
			all = append(all, r)
		}
	}
	return all
}

// TestNothingUnseen: none of these characters comes out as it is, on any way to the
func TestNothingUnseen(t *testing.T) {
	all := unseen()
	// The bidi controls of UAX #9, revision 50, table 4.
	for _, r := range "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069" {
		if !strings.ContainsRune(string(all), r) {
			t.Fatalf("%U is not looked at", r)
		}
	}
	for _, r := range all {
		word := "a" + string(r) + "b"
		b, err := json.Marshal(word)
		if err != nil {
			t.Fatal(err)
		}
		for what, shown := range map[string]string{
			"Printable": Printable(word), "Text": Text(word), "EscapeJSON": EscapeJSON(string(b)),
			"ShellQuote": ShellQuote(word),
		} {
			if strings.ContainsRune(shown, r) && (what != "Text" || r != '\n') {
				t.Errorf("%s shows %U as it is: %q", what, r, shown)
			}
		}
		var back string
		if err := json.Unmarshal([]byte(EscapeJSON(string(b))), &back); err != nil || back != word {
			t.Errorf("EscapeJSON makes %q of %q: %v", back, word, err)
		}
	}
}

// TestShellQuoteExact: shells give the word that was quoted, also those that do not
// know what POSIX.1-2024 added (XCU 2.2.4, dollar-single-quotes), such as dash 0.5.12.
func TestShellQuoteExact(t *testing.T) {
	words := []string{
		"", "-n", "-\x1b", "--\u202e", "it's \x1b[31m", `back\slash` + "\x07", "100%\x1b%s", "$HOME `id` \x1b \"$x\"", "a\nb", "a\n", "\n", "\n\na\n\n\n",
		"\xff\xfe", "\u009b31m", "gro\u202efdp", "zero\u200bwidth", "tag\U000e0041", "\x1b1", "Käferbohne \u00ad", "*?[a]\x01~", "\r\n", "!\x1b!",
	}
	for _, r := range unseen() {
		// No argument can hold 0. A shell forks for each word, and of the 4,096 for tags
		// (U+E0000 to U+E0FFF), which are alike, some do.
		if r != 0 && (r < 0xe0000 || r%61 == 0) {
			words = append(words, "x"+string(r)+"9")
		}
	}
	for _, shell := range []string{"sh", "bash", "dash"} {
		if _, err := exec.LookPath(shell); err != nil {
			t.Logf("%s is missing", shell)
			continue
		}
		var line strings.Builder
		line.WriteString("printf '%s\\001|'")
		for _, word := range words {
			line.WriteString(" " + ShellQuote(word))
		}
		cmd := exec.Command(shell)
		cmd.Stdin = strings.NewReader(line.String() + "\n")
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(shell, err)
		}
		got := strings.Split(string(out), "\x01|")
		for i, word := range words {
			if i >= len(got) || got[i] != word {
				t.Fatalf("%s: %s gives %q, not %q", shell, ShellQuote(word), got[min(i, len(got)-1)], word)
			}
		}
	}
}

func FuzzShellQuote(f *testing.F) {
	f.Add("a\x1b\xff'\\%\n")
	f.Fuzz(func(t *testing.T, s string) {
		got := ShellQuote(s)
		if strings.ContainsFunc(got, func(r rune) bool { return r != '\n' && !Visible(r) }) || !strings.HasSuffix(s, "\n") && strings.Contains(got, "\n") {
			t.Fatalf("%q gives %q", s, got)
		}
		if unquoted := strings.NewReplacer(`'\''`, "", "'", "").Replace(got); !strings.HasPrefix(got, `"$(`) && strings.ContainsFunc(got, isSpecial) && unquoted == got {
			t.Fatalf("%q gives %q, not quoted", s, got)
		}
	})
}

func isSpecial(r rune) bool { return strings.ContainsRune(" \t\n|&;<>()$`\\\"'*?[#~{}!^", r) }
