package main

import (
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// commandLine is a command line taken apart.
type commandLine struct {
	shared []string // flags of every command
	words  []string // command words
	flags  []string // the command's own flags
	rest   []string // all else
	help   bool
}

// args puts the parts in the order that the flag parser needs.
func (l *commandLine) args() []string {
	out := slices.Concat([]string{"kist"}, l.shared, l.words, l.flags)
	if len(l.words) > 0 {
		out = append(out, "--")
	}
	return append(out, l.rest...)
}

// arrange takes a command line apart, so that flags may stand anywhere: the
// parser stops at the first argument that is none. A command's own flag hides a
// shared one of that name behind the command word. "--" ends the flags.
func arrange(shared []cli.Flag, commands []*cli.Command, args []string) (*commandLine, error) {
	line := &commandLine{}
	var own []cli.Flag
	for len(args) > 0 {
		arg := args[0]
		switch {
		case arg == "--":
			line.rest = append(line.rest, args[1:]...)
			return line, line.complete(commands)
		case arg == "-h" || arg == "--help":
			line.help = true
			args = args[1:]
		case len(arg) > 1 && arg[0] == '-':
			n, err := line.addFlag(own, shared, args)
			if err != nil {
				return nil, err
			}
			args = args[n:]
		case len(commands) > 0:
			command, err := findCommand(commands, line.words, arg)
			if err != nil {
				return nil, err
			}
			line.words = append(line.words, arg)
			own, commands = command.Flags, command.Subcommands
			args = args[1:]
		default:
			line.rest = append(line.rest, arg)
			args = args[1:]
		}
	}
	return line, line.complete(commands)
}

// complete refuses a line that lacks its last command word. Without any word
// the overview is shown.
func (l *commandLine) complete(missing []*cli.Command) error {
	if l.help || len(missing) == 0 || len(l.words)+len(l.rest) == 0 {
		return nil
	}
	if len(l.words) == 0 {
		return usagef("%q stands where a command must; kist help lists them", l.rest[0])
	}
	return usagef("kist %s: one of %s must follow", strings.Join(l.words, " "), commandNames(missing))
}

// mayBeEmpty are flags whose value may be "". For all others it most likely comes of a
// variable of a script that is not set, and without the flag more would be done than was
// meant: all captures retired, not those of a name.
var mayBeEmpty = []string{"label", "note", "version", "host"}

// addFlag takes the flag that args begin with, and gives how many of them it is.
func (l *commandLine) addFlag(own, shared []cli.Flag, args []string) (int, error) {
	name, value, joined := strings.Cut(strings.TrimPrefix(strings.TrimPrefix(args[0], "-"), "-"), "=")
	to := &l.flags
	flag := findFlag(own, name)
	if flag == nil {
		to = &l.shared
		flag = findFlag(shared, name)
	}
	if flag == nil {
		return 0, usagef("no flag %s here; %s --help lists those that there are (-- ends the flags)",
			screen.Line(args[0]), strings.Join(append([]string{"kist"}, l.words...), " "))
	}
	n := 1
	if d, ok := flag.(cli.DocGenerationFlag); ok && d.TakesValue() {
		if !joined {
			if n = 2; len(args) < n {
				return 0, usagef("flag --%s: a value must follow", name)
			}
			value = args[1]
		}
		if value == "" && !slices.Contains(mayBeEmpty, name) {
			return 0, usagef("flag --%s: its value is empty", name)
		}
	}
	*to = append(*to, args[:n]...)
	return n, nil
}

func findFlag(flags []cli.Flag, name string) cli.Flag {
	for _, f := range flags {
		if slices.Contains(f.Names(), name) {
			return f
		}
	}
	return nil
}

func findCommand(commands []*cli.Command, before []string, name string) (*cli.Command, error) {
	for _, c := range commands {
		if c.Name == name {
			return c, nil
		}
	}
	if len(before) == 0 {
		return nil, usagef("no command %q; kist help lists those that there are", name)
	}
	return nil, usagef("kist %s has no %q, but %s", strings.Join(before, " "), name, commandNames(commands))
}

func commandNames(commands []*cli.Command) string {
	var names []string
	for _, c := range commands {
		names = append(names, c.Name)
	}
	return strings.Join(names, ", ")
}
