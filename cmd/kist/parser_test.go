package main

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
)

// parserWords are what the flag parser takes for commands and flags of its own where
// nothing forbids it (github.com/urfave/cli/v2, flag.go and help.go).
var parserWords = []string{"h", "help", "v", "version", "-h", "--help", "-v", "--version", "--generate-bash-completion", "--init-completion"}

// TestParserAddsNothing: every command gets such words as its arguments, and is run.
func TestParserAddsNothing(t *testing.T) {
	for _, path := range commandPaths(newApp(nil, nil, nil, nil).commands(), nil) {
		for _, word := range parserWords {
			var out bytes.Buffer
			a := newApp(nil, &out, &bytes.Buffer{}, func(string) string { return "" })
			commands := a.commands()
			var got []string
			ran := false
			findPath(commands, path).Action = func(c *cli.Context) error {
				ran, got = true, c.Args().Slice()
				return nil
			}
			line, err := cmdline.Arrange(sharedFlags(), commands, append(strings.Fields(strings.Join(path, " ")), "--", word))
			if err == nil {
				err = a.parser(commands).RunContext(t.Context(), line.Args())
			}
			if err != nil || !ran || len(got) != 1 || got[0] != word || out.Len() > 0 {
				t.Errorf("kist %s %s: run %t with %q, %v, and printed %.60q", strings.Join(path, " "), word, ran, got, err, out.String())
			}
		}
	}
}

// TestArrangeEmptyValue: "" is a value of few flags.
func TestArrangeEmptyValue(t *testing.T) {
	mayBeEmpty := []string{"label", "note", "version", "host"}
	a := newApp(nil, nil, nil, nil)
	for _, path := range commandPaths(a.commands(), nil) {
		for _, f := range append(findPath(a.commands(), path).Flags, sharedFlags()...) {
			d, ok := f.(cli.DocGenerationFlag)
			if !ok || !d.TakesValue() {
				continue
			}
			name := f.Names()[0]
			for _, flag := range [][]string{{"--" + name, ""}, {"--" + name + "="}, {"-" + name + "="}} {
				_, err := cmdline.Arrange(sharedFlags(), a.commands(), append(slices.Clone(path), flag...))
				if free := slices.Contains(mayBeEmpty, name); free != (err == nil) || !free && statusOf(err) != statusUsage {
					t.Errorf("kist %s %q: %v", strings.Join(path, " "), flag, err)
				}
			}
		}
	}
}

// commandPaths gives the words of every command that does something.
func commandPaths(commands []*cli.Command, before []string) (all [][]string) {
	for _, c := range commands {
		path := append(before[:len(before):len(before)], c.Name)
		if len(c.Subcommands) == 0 {
			all = append(all, path)
		}
		all = append(all, commandPaths(c.Subcommands, path)...)
	}
	return all
}

func findPath(commands []*cli.Command, path []string) *cli.Command {
	for _, c := range commands {
		if c.Name == path[0] {
			if len(path) == 1 {
				return c
			}
			return findPath(c.Subcommands, path[1:])
		}
	}
	return nil
}
