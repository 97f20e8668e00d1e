package main

import (
	"flag"
	"fmt"
	"strings"
	"text/tabwriter"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
)

func (a *app) helpCommand() *cli.Command {
	return &cli.Command{
		Name:      "help",
		Usage:     "explain a command",
		ArgsUsage: "[COMMAND]",
		Description: `
Example:
  kist help restore
  kist help passphrase add`,
		Action: func(c *cli.Context) error { return a.help(c.Args().Slice()) },
	}
}

// help prints the help of the command that words name.
func (a *app) help(words []string) error {
	if len(words) == 0 {
		a.Printf("%s", a.overview())
		return nil
	}
	commands := a.commands()
	var command *cli.Command
	for i, word := range words {
		if command != nil && len(commands) == 0 {
			return usagef("kist %s has no %q", strings.Join(words[:i], " "), word)
		}
		var err error
		if command, err = cmdline.FindCommand(commands, words[:i], word); err != nil {
			return err
		}
		commands = command.Subcommands
	}
	a.Printf("%s", describe(command, strings.Join(words, " ")))
	return nil
}

// overview is the help of the program as a whole.
func (a *app) overview() string {
	var b strings.Builder
	fmt.Fprint(&b, "kist keeps dated captures of a service's data volumes in a repository:\n",
		"deduplicated, compressed, encrypted, each restorable alone.\n\n",
		"Begin with kist demo, which shows the whole job and leaves nothing behind,\n",
		"or with kist setup.\n\nCommands:\n")
	listCommands(&b, a.commands(), "")
	fmt.Fprint(&b, "\nFlags of every command, before or after the command word:\n")
	listFlags(&b, sharedFlags())
	fmt.Fprint(&b, "\nCAPTURE is an id as kist list shows it, any leading part of it that fits no\n",
		"other; latest; or NAME@latest, NAME@VERSION or NAME@DATE (as 2026-03-14, by the\n",
		"local calendar): the newest of that name, version or day. Ids are in UTC.\n\n",
		"Exit status: 0 done, 1 failed, 2 wrong usage, 3 damage was found,\n",
		"4 something asked for does not exist.\n\n",
		"kist help COMMAND says more of a command, with an example.\n")
	return b.String()
}

// describe is the help of one command.
func describe(c *cli.Command, words string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "kist %s: %s\n\n", words, c.Usage)
	fmt.Fprintf(&b, "Usage: kist %s%s\n", words, usageArgs(c))
	if len(c.Subcommands) > 0 {
		fmt.Fprint(&b, "\nCommands:\n")
		listCommands(&b, c.Subcommands, words+" ")
	}
	if len(c.Flags) > 0 {
		fmt.Fprint(&b, "\nFlags:\n")
		listFlags(&b, c.Flags)
	}
	fmt.Fprintf(&b, "\n%s\n", strings.TrimSpace(c.Description))
	return b.String()
}

func usageArgs(c *cli.Command) string {
	var s string
	if len(c.Flags) > 0 {
		s += " [FLAGS]"
	}
	if c.ArgsUsage != "" {
		s += " " + c.ArgsUsage
	}
	if len(c.Subcommands) > 0 {
		s += " COMMAND"
	}
	return s
}

func listCommands(b *strings.Builder, commands []*cli.Command, before string) {
	w := tabwriter.NewWriter(b, 0, 0, 3, ' ', 0)
	for _, c := range commands {
		fmt.Fprintf(w, "  %s%s\t%s\n", before, c.Name, c.Usage)
	}
	w.Flush()
}

func listFlags(b *strings.Builder, flags []cli.Flag) {
	w := tabwriter.NewWriter(b, 0, 0, 3, ' ', 0)
	for _, f := range flags {
		d, ok := f.(cli.DocGenerationFlag)
		if !ok {
			continue
		}
		name := "--" + f.Names()[0]
		value, usage := flag.UnquoteUsage(&flag.Flag{Usage: d.GetUsage()})
		if d.TakesValue() {
			name += " " + value
		}
		fmt.Fprintf(w, "  %s\t%s\n", name, usage)
	}
	w.Flush()
}
