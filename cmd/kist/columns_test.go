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

// TestDemoFits: so does all that the demo shows in a pipe, command lines too.
func TestDemoFits(t *testing.T) {
	t.Setenv("TMPDIR", "") // a word that is longer is not broken
	var out, stderr bytes.Buffer
	a := newApp(nil, &out, &stderr, func(string) string { return "" })
	if status := a.run(t.Context(), []string{"demo"}); status != 0 {
		t.Fatalf("status %d: %s", status, stderr.String())
	}
	for _, line := range append(wide(out.String()), wide(stderr.String())...) {
		t.Errorf("%d: %s", utf8.RuneCountInString(line), line)
	}
	if !strings.Contains(out.String(), "taken (") {
		t.Error("the table of captures was not fitted")
	}
	if !strings.Contains(out.String(), "newest, month, version\n") {
		t.Error("the plan of a rotation has no room for its reasons")
	}
}
