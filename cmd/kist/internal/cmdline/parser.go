package cmdline

import (
	"strings"

	"github.com/urfave/cli/v2"
)

// Tame tells commands what they do not ask the app: to give our errors for flags that
// can't be read, and to take no argument for a command word of the parser's own, as it
// does with h and help. Help is Arrange's business.
func Tame(commands []*cli.Command) {
	for _, c := range commands {
		c.OnUsageError = FlagError
		c.HideHelp, c.HideHelpCommand = true, true
		Tame(c.Subcommands)
	}
}

// WantArgs checks the number of positional arguments; most < 0 is no limit.
func WantArgs(c *cli.Context, least, most int) error {
	n := c.NArg()
	switch {
	case 0 < n && n < least:
		return Usagef("%s: %s are wanted, and %d given; %s --help shows how", c.Command.HelpName, c.Command.ArgsUsage, n, c.Command.HelpName)
	case n < least:
		return Usagef("%s: %s is missing; %s --help shows how", c.Command.HelpName, c.Command.ArgsUsage, c.Command.HelpName)
	case most == 0 && n > 0 && strings.HasPrefix(c.Args().Get(0), "s3://"): // which may hold a secret by mistake
		return Usagef("%s takes no argument%s", c.Command.HelpName, givenBy(c, "the address"))
	case most == 0 && n > 0 && strings.ContainsRune(c.Args().Get(0), '/'):
		return Usagef("%s takes no argument: %q%s", c.Command.HelpName, c.Args().Get(0), givenBy(c, "the repository's folder"))
	case most == 0 && n > 0:
		return Usagef("%s takes no argument: %q", c.Command.HelpName, c.Args().Get(0))
	case most >= 0 && n > most:
		return Usagef("%s: one argument too many: %q", c.Command.HelpName, c.Args().Get(most))
	}
	return nil
}

// givenBy says how a repository's place is given, where it was not.
func givenBy(c *cli.Context, what string) string {
	if c.IsSet("repository") {
		return ", and --repository is given already"
	}
	return ": give " + what + " by --repository"
}

// Again gives the flags that were set once more, as words for another command line. Values
// are joined to their flags, since they may look like flags.
func Again(c *cli.Context, flags []cli.Flag) (words []string) {
	for _, f := range flags {
		name := f.Names()[0]
		if !c.IsSet(name) {
			continue
		}
		switch f.(type) {
		case *cli.BoolFlag:
			if c.Bool(name) {
				words = append(words, "--"+name)
			}
		case *cli.StringSliceFlag:
			for _, value := range c.StringSlice(name) {
				words = append(words, "--"+name+"="+value)
			}
		default:
			words = append(words, "--"+name+"="+c.String(name))
		}
	}
	return words
}
