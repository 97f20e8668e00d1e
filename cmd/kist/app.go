package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/config"
	"github.com/kistarchive/kist/cmd/kist/internal/metrics"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store/storage/files"
)

// app is one run of the program: all that it has of the world outside.
type app struct {
	*screen.Screen
	stdin   io.Reader
	getenv  func(string) string
	tty     func() (*os.File, error) // the terminal to ask for secrets on
	engine  func(program string) *engine.Engine
	shared  shared
	metrics *metrics.Run           // what the run comes to; nil: nobody asked
	program func() (string, error) // where this program lies
	host    string                 // of the captures that are meant; "": any
	rate    int64                  // of repositories, bytes a second; 0: any
	looks   bool                   // the command changes nothing anywhere
	makes   bool                   // the command is setup
	itself  bool                   // contents are read of the repository, and of no copies on this machine
	late    func()                 // stops what must not go by an object store that lags behind; nil: nothing need be

	place    func(path string) files.Place // where a repository's folder is
	work     working                       // in a process of its own; nil: there is none, or this is it
	second   *secondInterrupt              // of this process; where there is work
	patience patience

	root struct { // the repository, and where that leads; see checkApart
		at   where.Place
		real string
	}
	warned  map[string]bool // files with secrets of which it was warned
	lapsed  *lapses         // what was told of captures that are missing
	saidOdd bool            // that the book of what is set aside has lines which make no sense

	config      *config.Settings    // what the configuration of this machine says
	environment func(string) string // without it
}

// shared are the flags of every command.
type shared struct {
	repository     string
	passphraseFile string
	keyFile        string
	config         string
	giveUp         string
	acceptNewRoot  bool
}

func newApp(stdin io.Reader, stdout, stderr io.Writer, getenv func(string) string) *app {
	return &app{
		lapsed: &lapses{}, warned: make(map[string]bool),
		Screen: screen.New(stdout, stderr), stdin: stdin, getenv: getenv,
		tty:    func() (*os.File, error) { return os.OpenFile("/dev/tty", os.O_RDWR, 0) },
		engine: engine.New, place: systemPlace, program: installed, config: &config.Settings{}, environment: getenv,
	}
}

// commands gives all commands, in the order of the help. A new one is a file
// with such a function, and a line here.
func (a *app) commands() []*cli.Command {
	return []*cli.Command{
		a.setupCommand(),
		a.settingsCommand(),
		ofService(a.captureCommand()),
		a.choosing(a.listCommand()),
		a.choosing(a.showCommand()),
		a.choosing(a.contentsCommand()),
		a.choosing(a.verifyCommand()),
		a.choosing(a.restoreCommand()),
		a.keptCommand(),
		ofService(a.choosing(a.rehearseCommand())),
		a.choosing(a.compareCommand()),
		a.choosing(a.findCommand()),
		ofService(a.upgradeCommand()),
		a.choosing(a.usageCommand()),
		a.serveCommand(),
		a.choosing(a.amendCommand()),
		a.choosing(a.holdCommand()),
		a.choosing(a.releaseCommand()),
		ofService(a.choosing(a.retireCommand())),
		a.reclaimCommand(),
		a.replicateCommand(),
		a.repairCommand(),
		a.choosing(a.statusCommand()),
		a.passphraseCommand(),
		a.scheduleCommand(),
		a.resumeCommand(),
		a.configCommand(),
		a.demoCommand(),
		a.versionCommand(),
		a.helpCommand(),
		a.completeCommand(),
	}
}

func sharedFlags() []cli.Flag {
	return []cli.Flag{
		&cli.StringFlag{Name: "repository", Usage: "the repository is in `PLACE`: a folder, or a bucket by its address, s3://BUCKET/PREFIX?endpoint=https://HOST (or KIST_REPOSITORY)"},
		&cli.StringFlag{Name: "passphrase-file", Usage: "read the passphrase from `FILE` (or KIST_PASSPHRASE_FILE)"},
		&cli.StringFlag{Name: "key-file", Usage: "open with the key in `FILE` (or KIST_KEY_FILE)"},
		&cli.StringFlag{Name: "config", Usage: "read the configuration in `FILE` (or KIST_CONFIG) and no other; off for none"},
		&cli.BoolFlag{Name: "json", Usage: "print facts as JSON"},
		&cli.BoolFlag{Name: "quiet", Usage: "print results, warnings and errors only"},
		&cli.StringFlag{Name: "give-up", Usage: "end where the repository, as on a share, gave no answer for `TIME`, as 90s or 2m (or KIST_GIVE_UP); by default, or with never, wait until a share does, and some minutes for an object store"},
		&cli.BoolFlag{Name: "accept-new-root", Usage: "take a repository that was put in the place of the one this machine knows"},
	}
}

// run runs the command that args, without the program's name, ask for, and
// gives the exit status.
func (a *app) run(ctx context.Context, args []string) int {
	a.JSON = asksForJSON(args) // until flags are read
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
	line, err := cmdline.Arrange(sharedFlags(), commands, args)
	if err != nil {
		return err
	}
	if line.Help {
		return a.help(line.Words)
	}
	if len(line.Words) == 1 && line.Words[0] == completeWord {
		return a.complete(ctx, line.Rest())
	}
	unread := a.configure(line)
	if err := a.readPatience(line.Shared("give-up")); err != nil {
		return err
	}
	if a.work != nil && a.mayHang(line) {
		return a.workApart(ctx, args)
	}
	if a.patience.most > 0 {
		var lost context.CancelCauseFunc
		ctx, lost = context.WithCancelCause(ctx)
		defer lost(nil)
		a.patience.lost = lost
	}
	return withSilence(ctx, a.perform(ctx, line, commands, unread))
}

// perform runs the command, after what killed runs left is brought to its end. unread says why the configuration could
// not be read.
func (a *app) perform(ctx context.Context, line *cmdline.Line, commands []*cli.Command, unread error) error {
	a.checkZone()
	// resume does the same, but fails where a container could not be started.
	if len(line.Words) > 0 && line.Words[0] != "resume" {
		if err := a.keeper().StartLeft(ctx); err != nil {
			a.Warn("%s", screen.Text(err.Error()))
		}
		if err := a.upgrader(a.reopened(false)).Recover(ctx, upgrade.Resuming{Most: shortWatch}); err != nil {
			a.Warn("%s", screen.Text(err.Error()))
		}
	}
	if unread != nil {
		return unread
	}
	a.looks = len(line.Words) > 0 && slices.Contains([]string{"list", "show", "status", "contents", "find", "compare", "usage", "verify"}, line.Words[0])
	a.makes = len(line.Words) > 0 && line.Words[0] == "setup"
	a.withTables(line)
	if err := a.withService(line); err != nil {
		return err
	}
	return a.parser(commands).RunContext(ctx, line.Args())
}

// configure reads the configuration. Where it can't be read, what a killed run left is started
// again all the same.
func (a *app) configure(line *cmdline.Line) error {
	if len(line.Words) == 0 || slices.Contains(unconfigured, line.Words[0]) {
		return nil
	}
	err := a.readConfig(line.Shared("config"))
	if err != nil && line.Words[0] == "resume" {
		a.Warn("%s", screen.Text(err.Error()))
		return nil
	}
	return err
}

// asksForJSON tells whether a command line that can't be taken apart asks for JSON.
func asksForJSON(args []string) bool {
	if end := slices.Index(args, "--"); end >= 0 {
		args = args[:end]
	}
	return slices.Contains(args, "--json") || slices.Contains(args, "-json")
}

// parser makes the flag parser. It neither ends the process nor prints.
func (a *app) parser(commands []*cli.Command) *cli.App {
	cmdline.Tame(commands)
	return &cli.App{
		Name:  "kist",
		Flags: sharedFlags(), Commands: commands,
		Writer: a.Out, ErrWriter: a.Err,
		HideHelp: true, HideHelpCommand: true, HideVersion: true, EnableBashCompletion: false,
		DisableSliceFlagSeparator: true,
		ExitErrHandler:            func(*cli.Context, error) {},
		OnUsageError:              cmdline.FlagError,
		Before: func(c *cli.Context) error {
			a.Quiet, a.JSON = c.Bool("quiet"), c.Bool("json")
			a.shared = shared{
				repository:     c.String("repository"),
				passphraseFile: c.String("passphrase-file"),
				keyFile:        c.String("key-file"),
				config:         c.String("config"),
				giveUp:         c.String("give-up"),
				acceptNewRoot:  c.Bool("accept-new-root"),
			}
			return nil
		},
		Action: func(*cli.Context) error {
			if a.JSON {
				return usagef("a command is wanted: kist help lists them")
			}
			fmt.Fprint(a.Err, a.overview())
			return &statusError{status: statusUsage}
		},
	}
}
