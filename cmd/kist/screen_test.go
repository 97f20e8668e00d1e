package main

import (
	"bytes"
	"errors"
	"io/fs"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store"
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
		if got := printable(in); got != want {
			t.Errorf("%q: %s, not %s", in, got, want)
		}
	}
	if got := screenText("a\\x\nb\x1b\t"); got != "a\\x\nb\\x1b\\t" {
		t.Errorf("screenText: %q", got)
	}
}

func FuzzPrintable(f *testing.F) {
	f.Add("a\\b\x1b\xff\u202e")
	f.Fuzz(func(t *testing.T, s string) {
		got := printable(s)
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

// TestModeText has what GNU ls -l shows for these modes.
func TestModeText(t *testing.T) {
	for want, m := range map[string]store.Member{
		"-rw-r--r--": {Type: tarstream.File, Mode: 0o644},
		"drwxr-x---": {Type: tarstream.Folder, Mode: fs.ModeDir | 0o750},
		"-rwsr-sr-t": {Type: tarstream.File, Mode: fs.ModeSetuid | fs.ModeSetgid | fs.ModeSticky | 0o755},
		"-rwsr-Sr-T": {Type: tarstream.File, Mode: fs.ModeSetuid | fs.ModeSetgid | fs.ModeSticky | 0o744},
		"lrwxrwxrwx": {Type: tarstream.Symlink, Mode: fs.ModeSymlink | 0o777},
		"prw-------": {Type: tarstream.FIFO, Mode: fs.ModeNamedPipe | 0o600},
		"?---------": {Type: tarstream.Other},
	} {
		if got := modeText(&m); got != want {
			t.Errorf("%v: %s, not %s", m.Mode, got, want)
		}
	}
	if got := modeBits(fs.ModeSetuid | fs.ModeSticky | 0o640); got != 0o5640 {
		t.Errorf("%o", got)
	}
}

func TestJSONArray(t *testing.T) {
	for n, want := range map[int]string{0: "[]\n", 1: "[\"<\"\n]\n", 2: "[\"<\"\n,\"<\"\n]\n"} {
		var out bytes.Buffer
		array := &jsonArray{w: &out}
		for range n {
			if err := array.add("<"); err != nil {
				t.Fatal(err)
			}
		}
		if err := array.end(); err != nil || out.String() != want {
			t.Errorf("%d: %q, %v", n, out.String(), err)
		}
	}
}

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, errors.New("no space left on device") }

// TestOutputFails: results that could not be written are no success.
func TestOutputFails(t *testing.T) {
	var stderr bytes.Buffer
	a := newApp(nil, fullDisk{}, &stderr, func(string) string { return "" })
	if status := a.run(t.Context(), []string{"help"}); status != statusFailed {
		t.Errorf("status %d", status)
	}
	if !strings.Contains(stderr.String(), "kist: writing to standard output: no space left on device") {
		t.Error(stderr.String())
	}
}

func TestShellQuote(t *testing.T) {
	for in, want := range map[string]string{"": "''", "a-b/c.d": "a-b/c.d", "a b": "'a b'", "it's": `'it'\''s'`, "$x": "'$x'"} {
		if got := shellQuote(in); got != want {
			t.Errorf("%q: %s, not %s", in, got, want)
		}
	}
}
