package cmdline

import (
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// Line is a command line taken apart.
type Line struct {
	Words []string // command words
	Help  bool     // is asked for

	shared []string // flags of every command
	flags  []string // the command's own flags
	rest   []string // all else
	once   []string // flags that were given, of onceOnly

	own, ofAll map[string]string // the values of both kinds of flags, the last one counts
}

// Args puts the parts in the order that the flag parser needs.
func (l *Line) Args() []string {
	out := slices.Concat([]string{"kist"}, l.shared, l.Words, l.flags)
	if len(l.Words) > 0 {
		out = append(out, "--")
	}
	return append(out, l.rest...)
}

// Rest gives what is neither a command word nor a flag.
func (l *Line) Rest() []string { return l.rest }

// Replace puts flags before the command's own, and other words in the place of the rest.
func (l *Line) Replace(flags, rest []string) {
	l.flags, l.rest = slices.Concat(flags, l.flags), rest
}

// Has tells whether one of the command's own flags is given.
func (l *Line) Has(names ...string) bool {
	return slices.ContainsFunc(names, func(name string) bool {
		_, ok := l.own[name]
		return ok
	})
}

// Value gives the value of one of the command's own flags, the last one that was given.
func (l *Line) Value(name string) string { return l.own[name] }

// Shared gives the value of a flag of every command.
func (l *Line) Shared(name string) string { return l.ofAll[name] }

// Arrange takes a command line apart, so that flags may stand anywhere: the
// parser stops at the first argument that is none. A command's own flag hides a
// shared one of that name behind the command word. "--" ends the flags.
func Arrange(shared []cli.Flag, commands []*cli.Command, args []string) (*Line, error) {
	line := &Line{own: make(map[string]string), ofAll: make(map[string]string)}
	var own []cli.Flag
	for len(args) > 0 {
		arg := args[0]
		switch {
		case arg == "--":
			line.rest = append(line.rest, args[1:]...)
			return line, line.complete(commands)
		case arg == "-h" || arg == "--help":
			line.Help = true
			args = args[1:]
		case arg == "--version" && len(line.Words) == 0 && len(args) == 1 && len(line.rest) == 0:
			args = []string{"version"} // as programs commonly have it
		case len(arg) > 1 && arg[0] == '-':
			n, err := line.addFlag(own, shared, args)
			if err != nil {
				return nil, err
			}
			args = args[n:]
		case len(commands) > 0:
			command, err := FindCommand(commands, line.Words, arg)
			if err != nil {
				return nil, err
			}
			line.Words = append(line.Words, arg)
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
func (l *Line) complete(missing []*cli.Command) error {
	if l.Help || len(missing) == 0 || len(l.Words)+len(l.rest) == 0 {
		return nil
	}
	if len(l.Words) == 0 {
		return Usagef("%q stands where a command must; kist help lists them", l.rest[0])
	}
	return Usagef("kist %s: one of %s must follow", strings.Join(l.Words, " "), commandNames(missing))
}

// mayBeEmpty are flags whose value may be "". For all others it most likely comes of a
// variable of a script that is not set, and without the flag more would be done than was
// meant: all captures retired, not those of a name.
var mayBeEmpty = []string{"label", "note", "version", "host"}

// onceOnly are flags that choose among many, some of which take several values with some commands. Where they take one, a
// second one was meant as well: of other flags the last one counts.
var onceOnly = []string{"container", "name", "host", "volume"}

// addFlag takes the flag that args begin with, and gives how many of them it is.
func (l *Line) addFlag(own, shared []cli.Flag, args []string) (int, error) {
	name, value, joined := strings.Cut(strings.TrimPrefix(strings.TrimPrefix(args[0], "-"), "-"), "=")
	to, values := &l.flags, l.own
	flag := findFlag(own, name)
	if flag == nil {
		to, values = &l.shared, l.ofAll
		flag = findFlag(shared, name)
	}
	if why := whyNone(l.Words, name); flag == nil && why != "" {
		return 0, Usagef("%s", why)
	}
	if flag == nil {
		return 0, Usagef("no flag %s here; %s --help lists those that there are (-- ends the flags)%s",
			screen.Line(args[0]), strings.Join(append([]string{"kist"}, l.Words...), " "), meantFlag(name, own, shared))
	}
	n := 1
	if d, ok := flag.(cli.DocGenerationFlag); ok && d.TakesValue() {
		if !joined {
			if n = 2; len(args) < n {
				return 0, Usagef("flag --%s: a value must follow", name)
			}
			value = args[1]
		}
		if value == "" && !slices.Contains(mayBeEmpty, name) {
			return 0, Usagef("flag --%s: its value is empty", name)
		}
	}
	if _, single := flag.(*cli.StringFlag); single && slices.Contains(onceOnly, name) {
		if slices.Contains(l.once, name) {
			return 0, Usagef("flag --%s: it is given twice, and takes one value here: run %s once for each", name, strings.Join(append([]string{"kist"}, l.Words...), " "))
		}
		l.once = append(l.once, name)
	}
	*to, values[name] = append(*to, args[:n]...), value
	return n, nil
}

// meantFlag asks whether a known flag was meant.
func meantFlag(name string, own, shared []cli.Flag) string {
	var known []string
	for _, f := range slices.Concat(own, shared) {
		known = append(known, f.Names()...)
	}
	if near := Nearest(name, known); near != "" {
		return "; did you mean --" + near + "?"
	}
	return ""
}

func findFlag(flags []cli.Flag, name string) cli.Flag {
	for _, f := range flags {
		if slices.Contains(f.Names(), name) {
			return f
		}
	}
	return nil
}

// FindCommand gives the command of a name; before are the words that led to commands.
func FindCommand(commands []*cli.Command, before []string, name string) (*cli.Command, error) {
	for _, c := range commands {
		if c.Name == name {
			return c, nil
		}
	}
	if len(before) == 0 {
		return nil, Usagef("no command %q; kist help lists those that there are%s", name, Meant(name, namesOf(commands)))
	}
	return nil, Usagef("kist %s has no %q, but %s%s", strings.Join(before, " "), name, commandNames(commands), Meant(name, namesOf(commands)))
}

func commandNames(commands []*cli.Command) string { return strings.Join(namesOf(commands), ", ") }

func namesOf(commands []*cli.Command) (names []string) {
	for _, c := range commands {
		if !c.Hidden {
			names = append(names, c.Name)
		}
	}
	return names
}

// whyNone says why a command has not a flag that people look for in it, or gives "".
func whyNone(words []string, flag string) string {
	command := strings.Join(words, " ")
	switch command + " --" + flag {
	case "repair --to", "repair --against":
		return command + ": no flag --" + flag + " here; did you mean --from? It takes what is damaged here from OTHER; to mend OTHER, run it there, with --from for this place"
	case "verify --from", "verify --to":
		return command + ": no flag --" + flag + " here; did you mean --against? It compares with OTHER"
	case "replicate --against":
		return command + ": no flag --against here; did you mean --to?"
	case "amend --name":
		return "amend: a name can't be amended: rotations, and what is taken over from earlier captures, go by it. Capture under the right name from now on; this capture is found by its id"
	}
	return ""
}
