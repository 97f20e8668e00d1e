package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// app is one run of the program: all that it has of the world outside.
type app struct {
	*screen.Screen
	stdin  io.Reader
	getenv func(string) string
	tty    func() (*os.File, error) // the terminal to ask for secrets on
	engine func(program string) *engine.Engine
	shared shared
}

// shared are the flags of every command.
type shared struct {
	repository     string
	passphraseFile string
	keyFile        string
	json           bool
	acceptNewRoot  bool
}

func newApp(stdin io.Reader, stdout, stderr io.Writer, getenv func(string) string) *app {
	return &app{
		Screen: screen.New(stdout, stderr), stdin: stdin, getenv: getenv,
		tty:    func() (*os.File, error) { return os.OpenFile("/dev/tty", os.O_RDWR, 0) },
		engine: engine.New,
	}
}

// commands gives all commands, in the order of the help. A new one is a file
// with such a function, and a line here.
func (a *app) commands() []*cli.Command {
	return []*cli.Command{
		a.setupCommand(),
		a.captureCommand(),
		a.listCommand(),
		a.showCommand(),
		a.contentsCommand(),
		a.verifyCommand(),
		a.restoreCommand(),
		a.compareCommand(),
		a.usageCommand(),
		a.holdCommand(),
		a.releaseCommand(),
		a.retireCommand(),
		a.reclaimCommand(),
		a.repairCommand(),
		a.passphraseCommand(),
		a.scheduleCommand(),
		a.resumeCommand(),
		a.demoCommand(),
		a.helpCommand(),
	}
}

func sharedFlags() []cli.Flag {
	return []cli.Flag{
		&cli.StringFlag{Name: "repository", Usage: "the repository's folder is `PATH` (or KIST_REPOSITORY)"},
		&cli.StringFlag{Name: "passphrase-file", Usage: "read the passphrase from `FILE` (or KIST_PASSPHRASE_FILE)"},
		&cli.StringFlag{Name: "key-file", Usage: "open with the key in `FILE` (or KIST_KEY_FILE)"},
		&cli.BoolFlag{Name: "json", Usage: "print facts as JSON"},
		&cli.BoolFlag{Name: "quiet", Usage: "print results, warnings and errors only"},
		&cli.BoolFlag{Name: "accept-new-root", Usage: "take a repository that was put in the place of the one this machine knows"},
	}
}

// run runs the command that args, without the program's name, ask for, and
// gives the exit status.
func (a *app) run(ctx context.Context, args []string) int {
	err := a.dispatch(ctx, args)
	if err == nil {
		err = a.Out.Failed()
	}
	if err != nil {
		a.printError(err)
	}
	return statusOf(err)
}

func (a *app) dispatch(ctx context.Context, args []string) error {
	commands := a.commands()
	line, err := arrange(sharedFlags(), commands, args)
	if err != nil {
		return err
	}
	if line.help {
		return a.help(line.words)
	}
	if len(line.words) > 0 && line.words[0] != "resume" {
		if err := a.keeper().StartLeft(ctx); err != nil {
			a.Warn("%s", screen.Text(err.Error()))
		}
	}
	return a.parser(commands).RunContext(ctx, line.args())
}

// parser makes the flag parser. It neither ends the process nor prints.
func (a *app) parser(commands []*cli.Command) *cli.App {
	tame(commands)
	return &cli.App{
		Name:  "kist",
		Flags: sharedFlags(), Commands: commands,
		Writer: a.Out, ErrWriter: a.Err,
		HideHelp: true, HideHelpCommand: true, HideVersion: true, EnableBashCompletion: false,
		DisableSliceFlagSeparator: true,
		ExitErrHandler:            func(*cli.Context, error) {},
		OnUsageError:              onUsageError,
		Before: func(c *cli.Context) error {
			a.Quiet = c.Bool("quiet")
			a.shared = shared{
				repository:     c.String("repository"),
				passphraseFile: c.String("passphrase-file"),
				keyFile:        c.String("key-file"),
				json:           c.Bool("json"),
				acceptNewRoot:  c.Bool("accept-new-root"),
			}
			return nil
		},
		Action: func(*cli.Context) error {
			fmt.Fprint(a.Err, a.overview())
			return &statusError{status: statusUsage}
		},
	}
}

// tame tells commands what they do not ask the app: to give our errors for flags that
// can't be read, and to take no argument for a command word of the parser's own, as it
// does with h and help. Help is arrange's business.
func tame(commands []*cli.Command) {
	for _, c := range commands {
		c.OnUsageError = onUsageError
		c.HideHelp, c.HideHelpCommand = true, true
		tame(c.Subcommands)
	}
}

func onUsageError(_ *cli.Context, err error, _ bool) error {
	text := err.Error() // of package flag, which knows one dash
	for _, before := range []string{" for flag -", " for -"} {
		text = strings.Replace(text, before, before+"-", 1)
	}
	return usagef("%s", text)
}

// wantArgs checks the number of positional arguments; most < 0 is no limit.
func wantArgs(c *cli.Context, least, most int) error {
	n := c.NArg()
	switch {
	case n < least:
		return usagef("%s: %s is missing", c.Command.HelpName, c.Command.ArgsUsage)
	case most == 0 && n > 0:
		return usagef("%s takes no argument: %q", c.Command.HelpName, c.Args().Get(0))
	case most >= 0 && n > most:
		return usagef("%s: one argument too many: %q", c.Command.HelpName, c.Args().Get(most))
	}
	return nil
}
