package completion

import (
	"flag"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"
)

// Asked is what a command line asks for in the place of its last word.
type Asked struct {
	Words   []string          // command words so far
	Args    []string          // what is neither a command word nor a flag, so far
	Shared  map[string]string // flags of every command that are given, so far
	Own     map[string]string // the command's own
	Current string            // the beginning of the word to complete; of --flag=value the value
	Before  string            // what of the word stands before Current: --flag=

	Flag     cli.Flag       // of which Current is the value; or nil
	Flags    []cli.Flag     // that may stand there, where a flag begins
	Commands []*cli.Command // that may stand there
}

// Ask takes a line apart of which the last word is to be completed, as cmdline.Arrange does, but
// takes what it does not know.
func Ask(shared []cli.Flag, commands []*cli.Command, words []string) *Asked {
	a := &Asked{Shared: make(map[string]string), Own: make(map[string]string), Commands: commands}
	if len(words) == 0 {
		words = []string{""}
	}
	var own []cli.Flag
	ended := false
	last := len(words) - 1
	for i := 0; i < last; i++ {
		word := words[i]
		switch {
		case ended:
			a.Args = append(a.Args, word)
		case word == "--":
			ended, a.Commands = true, nil
		case len(word) > 1 && word[0] == '-':
			name, value, joined := strings.Cut(strings.TrimLeft(word, "-"), "=")
			f, values := find(own, name), a.Own
			if f == nil {
				f, values = find(shared, name), a.Shared
			}
			if f != nil && takesValue(f) && !joined {
				if i++; i == last {
					a.Flag, a.Current, a.Commands = f, words[last], nil
					return a
				}
				value = words[i]
			}
			values[name] = value
		case len(a.Commands) > 0:
			a.Words = append(a.Words, word)
			n := slices.IndexFunc(a.Commands, func(c *cli.Command) bool { return c.Name == word })
			if n < 0 {
				return &Asked{}
			}
			own, a.Commands = a.Commands[n].Flags, a.Commands[n].Subcommands
		default:
			a.Args = append(a.Args, word)
		}
	}
	a.ofLast(words[last], own, shared, ended)
	return a
}

// ofLast takes the word itself apart.
func (a *Asked) ofLast(word string, own, shared []cli.Flag, ended bool) {
	a.Current = word
	if ended || !strings.HasPrefix(word, "-") || word == "-" {
		return
	}
	a.Commands = nil
	name, value, joined := strings.Cut(strings.TrimLeft(word, "-"), "=")
	if !joined {
		a.Flags = slices.Concat(own, shared)
		return
	}
	if a.Flag = find(own, name); a.Flag == nil {
		a.Flag = find(shared, name)
	}
	a.Before, a.Current = word[:len(word)-len(value)], value
}

func find(flags []cli.Flag, name string) cli.Flag {
	for _, f := range flags {
		if slices.Contains(f.Names(), name) {
			return f
		}
	}
	return nil
}

func takesValue(f cli.Flag) bool {
	d, ok := f.(cli.DocGenerationFlag)
	return ok && d.TakesValue()
}

// Describe gives a flag's name, that of its value, and what it says.
func Describe(f cli.Flag) (name, value, usage string) {
	if d, ok := f.(cli.DocGenerationFlag); ok {
		value, usage = flag.UnquoteUsage(&flag.Flag{Usage: d.GetUsage()})
		if !d.TakesValue() {
			value = ""
		}
	}
	return f.Names()[0], value, usage
}
