package main

import (
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/completion"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

func (a *app) helpCommand() *cli.Command {
	return &cli.Command{
		Name:      "help",
		Usage:     "explain a command",
		ArgsUsage: "[COMMAND]",
		Flags: []cli.Flag{
			&cli.BoolFlag{Name: "man", Usage: "print the manual page instead, for man(1)"},
			&cli.StringFlag{Name: "man-into", Usage: "write the manual pages of all commands into `DIR`"},
			&cli.StringFlag{Name: "completion", Usage: "print the script that completes command lines in `SHELL`: bash, zsh or fish"},
		},
		Description: `
Commands, flags, captures, members, names, hosts, volumes, services, containers and
key slots are completed. What lies in the repository is completed where a key file
opens it, and within two seconds; nothing is asked for.

Example:
  kist help restore
  kist help passphrase add
  kist help --man restore | man -l -
  kist help --man-into /usr/local/share/man/man1
  source <(kist help --completion bash)`,
		Action: func(c *cli.Context) error {
			if done, err := a.helpPages(c); done {
				return err
			}
			return a.help(c.Args().Slice())
		},
	}
}

// help prints the help of the command that words name.
func (a *app) help(words []string) error {
	if len(words) == 0 {
		a.Printf("%s", a.overview())
		return nil
	}
	command, err := a.commandNamed(words)
	if err != nil {
		return err
	}
	a.Printf("%s", describe(command, strings.Join(words, " ")))
	return nil
}

// commandNamed gives the command that words name, one at least.
func (a *app) commandNamed(words []string) (command *cli.Command, err error) {
	commands := a.commands()
	for i, word := range words {
		if command != nil && len(commands) == 0 {
			return nil, usagef("kist %s has no %q", strings.Join(words[:i], " "), word)
		}
		if command, err = cmdline.FindCommand(commands, words[:i], word); err != nil {
			return nil, err
		}
		commands = command.Subcommands
	}
	return command, nil
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
	fmt.Fprint(&b, "\n", reflowed(captureWords), "\n\n", reflowed(statusWords), "\n\n",
		"kist help COMMAND says more of a command, with an example.\n")
	return b.String()
}

// What is to be known of all commands.
const (
	captureWords = "CAPTURE is an id as kist list shows it, any leading part of it that fits no " +
		"other; latest; or NAME@latest, NAME@VERSION or NAME@DATE (as 2026-03-14, by the " +
		"local calendar): the newest of that name, version or day. Ids are in UTC."
	statusWords = "Exit status: 0 done, 1 failed, 2 wrong usage, 3 damage was found, " +
		"4 something asked for does not exist."
)

// describe is the help of one command.
func describe(c *cli.Command, words string) string {
	var b strings.Builder
	b.WriteString(screen.Wrap(fmt.Sprintf("kist %s: %s\n\n", words, c.Usage), helpColumns))
	b.WriteString(hanging("Usage: ", "kist "+words+usageArgs(c)) + "\n")
	if len(c.Subcommands) > 0 {
		fmt.Fprint(&b, "\nCommands:\n")
		listCommands(&b, c.Subcommands, words+" ")
	}
	if len(c.Flags) > 0 {
		fmt.Fprint(&b, "\nFlags:\n")
		listFlags(&b, c.Flags)
	}
	fmt.Fprintf(&b, "\n%s\n", reflowed(strings.TrimSpace(c.Description)))
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
	var names, says []string
	for _, c := range commands {
		if !c.Hidden {
			names, says = append(names, before+c.Name), append(says, c.Usage)
		}
	}
	listPairs(b, names, says)
}

func listFlags(b *strings.Builder, flags []cli.Flag) {
	var names, says []string
	for _, f := range flags {
		name, value, usage := completion.Describe(f)
		names, says = append(names, strings.TrimSpace("--"+name+" "+value)), append(says, usage)
	}
	listPairs(b, names, says)
}

// helpColumns is how wide help is, on a terminal and elsewhere.
const helpColumns = 80

// listPairs prints names, and what is said of each behind it; below it where a name is long.
func listPairs(b *strings.Builder, names, says []string) {
	const longest, gap = 26, 2
	width := 0
	for _, name := range names {
		if n := len(name); n <= longest {
			width = max(width, n)
		}
	}
	before := strings.Repeat(" ", 2+width+gap)
	for i, name := range names {
		text := strings.TrimLeft(screen.Wrap(before+says[i], helpColumns), " ")
		if len(name) > width {
			fmt.Fprintf(b, "  %s\n%s%s\n", name, before, text)
			continue
		}
		fmt.Fprintf(b, "  %-*s%s%s\n", width, name, strings.Repeat(" ", gap), text)
	}
}

// hanging gives a text whose lines, but for the first, are indented below its beginning.
func hanging(first, text string) string {
	before := strings.Repeat(" ", len(first))
	return first + strings.TrimLeft(screen.Wrap(before+text, helpColumns), " ")
}

// reflowed fills the paragraphs of a description. Lines that are indented, such as examples, stay.
func reflowed(text string) string {
	var out, paragraph []string
	end := func() {
		if len(paragraph) > 0 {
			out = append(out, screen.Wrap(strings.Join(paragraph, " "), helpColumns))
			paragraph = nil
		}
	}
	for line := range strings.SplitSeq(text, "\n") {
		if line == "" || line[0] == ' ' || line == "Example:" {
			end()
			out = append(out, line)
			continue
		}
		paragraph = append(paragraph, line)
	}
	end()
	return strings.Join(out, "\n")
}
