package screen

import (
	"bytes"
	"testing"
	"unicode/utf8"
)

func TestPrintable(t *testing.T) {
	for in, want := range map[string]string{
		"data/Käferbohne.txt": "data/Käferbohne.txt",
		"":                    "",
		"a b":                 "a b",
		"a\nb":                `a\nb`,
		"\x1b[31m":            `\x1b[31m`,
		"\xff\xfe":            `\xff\xfe`,
		`a\nb`:                `a\\nb`,
		"gro\u202efdp":        `gro\u202efdp`, // turns the text around
		"\u009b31m":           `\u009b31m`,    // control sequence introducer (ECMA-48, 8.3.16)
		"\u2028":              `\u2028`,
		"\ufffd":              "\ufffd",
		"it's":                "it's",
	} {
		if got := Printable(in); got != want {
			t.Errorf("%q: %s, not %s", in, got, want)
		}
	}
	if got := Text("a\\x\nb\x1b\t"); got != "a\\x\nb\\x1b\\t" {
		t.Errorf("Text: %q", got)
	}
}

func FuzzPrintable(f *testing.F) {
	f.Add("a\\b\x1b\xff\u202e")
	f.Fuzz(func(t *testing.T, s string) {
		got := Printable(s)
		if !utf8.ValidString(got) {
			t.Fatalf("%q gives %q", s, got)
		}
		for _, r := range got {
			if r < ' ' || r >= 0x7f && r < 0xa0 {
				t.Fatalf("%q gives %q", s, got)
			}
		}
	})
}

func TestJSONArray(t *testing.T) {
	for n, want := range map[int]string{0: "[]\n", 1: "[\"<\"\n]\n", 2: "[\"<\"\n,\"<\"\n]\n"} {
		var out bytes.Buffer
		array := NewArray(&out)
		for range n {
			if err := array.Add("<"); err != nil {
				t.Fatal(err)
			}
		}
		if err := array.End(); err != nil || out.String() != want {
			t.Errorf("%d: %q, %v", n, out.String(), err)
		}
	}
}

func TestShellQuote(t *testing.T) {
	for in, want := range map[string]string{"": "''", "a-b/c.d": "a-b/c.d", "a b": "'a b'", "it's": `'it'\''s'`, "$x": "'$x'"} {
		if got := ShellQuote(in); got != want {
			t.Errorf("%q: %s, not %s", in, got, want)
		}
	}
}
