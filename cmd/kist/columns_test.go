package main

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/urfave/cli/v2"
)

// wide gives the lines of a text that do not fit 80 columns.
func wide(text string) (lines []string) {
	for line := range strings.SplitSeq(text, "\n") {
		if utf8.RuneCountInString(line) > 80 {
			lines = append(lines, line)
		}
	}
	return lines
}

// TestHelpFits: all help fits 80 columns.
func TestHelpFits(t *testing.T) {
	a := newApp(nil, nil, nil, func(string) string { return "" })
	for _, line := range wide(a.overview()) {
		t.Errorf("kist help: %s", line)
	}
	var all func(commands []*cli.Command, before string)
	all = func(commands []*cli.Command, before string) {
		for _, c := range commands {
			words := strings.TrimSpace(before + " " + c.Name)
			for _, line := range wide(describe(c, words)) {
				t.Errorf("kist help %s: %s", words, line)
			}
			all(c.Subcommands, words)
		}
	}
	all(a.commands(), "")
}

// TestDemoFits: so do the screens of the demo, but for command lines and paths as they are typed.
func TestDemoFits(t *testing.T) {
	var out, stderr bytes.Buffer
	a := newApp(nil, &out, &stderr, func(string) string { return "" })
	a.Columns = 80
	if status := a.run(t.Context(), []string{"demo"}); status != 0 {
		t.Fatalf("status %d: %s", status, stderr.String())
	}
	for _, line := range append(wide(out.String()), wide(stderr.String())...) {
		if !strings.HasPrefix(line, "$ ") {
			t.Errorf("%d: %s", utf8.RuneCountInString(line), line)
		}
	}
	if !strings.Contains(out.String(), "taken (") {
		t.Error("the table of captures was not fitted")
	}
	if !strings.Contains(out.String(), "newest, month, version\n") {
		t.Error("the plan of a rotation has no room for its reasons")
	}
}
