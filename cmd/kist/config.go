package main

import (
	"cmp"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/config"
	"github.com/kistarchive/kist/cmd/kist/internal/places"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
)

func (a *app) configCommand() *cli.Command {
	return &cli.Command{
		Name:  "config",
		Usage: "show which settings hold on this machine, and from where",
		Flags: []cli.Flag{
			&cli.BoolFlag{Name: "check", Usage: "look for faults: read the files, and see that what they name is there"},
		},
		Description: `
A configuration is a TOML file: /etc/kist/kist.toml, and then kist/kist.toml in
$XDG_CONFIG_HOME (or ~/.config), which counts before it. --config FILE or
KIST_CONFIG names another one instead, and off none. A flag counts before the
environment, the environment before a file. A service of the second file takes
the place of one of that name in the first as a whole.

Each service has a table, [service.NAME], with the flags of kist capture as keys,
and its data as one of

  source = ["/srv/seedbank"]            folders or files, as PATH or NAME=PATH
  container = ["seedbank"]              containers
  from = ["dump-program", "--all"]      a command that prints it

and may have [service.NAME.retire] (rules), [service.NAME.rehearse] and
[service.NAME.upgrade]. Then the bare word NAME stands for all that:

  kist capture NAME      kist rehearse NAME      kist schedule NAME
  kist retire NAME       kist upgrade NAME --to VERSION

[verify] and [status] have flags of kist verify and kist status, which hold whenever these run,
by hand too: older-than, and full or sample.

A flag on the command line takes the place of what the service says of it, lists
too; rules take the place of all rules. A word that is a service and the name of
something in this folder is refused: --service NAME is the one, ./NAME the other.
kist retire NAME and kist rehearse NAME are about the captures of this host.

A file holds commands that kist runs. One that others than its owner and root can
change is refused; so is one with a key that kist does not know.

Example:
  kist config
  kist config --check --config ./kist.toml
  kist config --json`,
		Action: a.showConfig,
	}
}

// setting is one that holds.
type setting struct {
	Key   string `json:"key"`
	Value string `json:"value"`
	From  string `json:"from"` // FILE:LINE, a flag, a variable of the environment, or default
}

// configJSON is what holds, as scripts get it.
type configJSON struct {
	Files    []string            `json:"files"`
	Settings []setting           `json:"settings"`
	Services []serviceConfigJSON `json:"services"`
}

type serviceConfigJSON struct {
	Name     string    `json:"name"`
	From     string    `json:"from"`
	Settings []setting `json:"settings"`
	Capture  []string  `json:"capture"` // the words of the command
}

func (a *app) showConfig(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 0, 0); err != nil {
		return err
	}
	if err := a.readConfig(a.shared.config); err != nil {
		return err
	}
	if c.Bool("check") {
		return a.checkConfig(c.Context)
	}
	j := &configJSON{Files: slices.Concat([]string{}, a.config.Paths), Settings: a.settings(), Services: []serviceConfigJSON{}}
	for _, name := range a.config.ServiceNames() {
		service, err := a.serviceShown(name)
		if err != nil {
			return err
		}
		j.Services = append(j.Services, service)
	}
	hideAddresses(j.Settings)
	if a.JSON {
		return a.PrintJSON(j)
	}
	return a.printConfig(j)
}

// hideAddresses puts what is wrong with it in the place of what begins as an address of a bucket and is none: it may hold a secret by
// mistake, which other commands never repeat.
func hideAddresses(settings []setting) {
	for i := range settings {
		s := &settings[i]
		if _, err := where.Parse(s.Value, func(string) string { return "" }); err != nil {
			s.Value = "not shown: " + err.Error()
		}
	}
}

// settings gives those of the machine, and from where each is.
func (a *app) settings() []setting {
	all := []setting{
		a.setting("repository", a.shared.repository, "KIST_REPOSITORY", ""),
		a.setting("key-file", a.shared.keyFile, "KIST_KEY_FILE", ""),
		a.setting("passphrase-file", a.shared.passphraseFile, "KIST_PASSPHRASE_FILE", ""),
		a.setting("replica", "", "KIST_REPLICA", ""),
		a.setting("other-key-file", "", "KIST_OTHER_KEY_FILE", ""),
		a.setting("other-passphrase-file", "", "KIST_OTHER_PASSPHRASE_FILE", ""),
		a.setting("engine", "", "KIST_ENGINE", engine.Default),
		a.setting("cache", "", "KIST_CACHE", cmp.Or(places.Cache(a.environment), "off")),
	}
	state, _ := places.State(a.environment)
	all = append(all, a.setting("state", "", "KIST_STATE", cmp.Or(state, "off")))
	giveUp := cmdline.Never
	if where.IsAddress(all[0].Value) { // some minutes go by until calls of an object store are given up
		giveUp = screen.DurationText(where.LeastPatience)
	}
	all = append(all, a.setting("give-up", a.shared.giveUp, "KIST_GIVE_UP", giveUp))
	flagged := a.shared.keyFile != "" || a.shared.passphraseFile != ""
	all = slices.DeleteFunc(all, func(s setting) bool { // one thing opens the repository: a flag counts before all else
		return s.Key == "key-file" && flagged && a.shared.keyFile == "" || s.Key == "passphrase-file" && flagged && a.shared.passphraseFile == ""
	})
	for _, table := range []struct {
		name  string
		table any
	}{{"retire", a.config.Retire}, {"replicate", a.config.Replicate}, {"verify", a.config.Verify}, {"status", a.config.Status}} {
		all = append(all, a.tableSettings(table.name, table.table)...)
	}
	all = append(all, setting{"on-failure", a.config.OnFailure, a.config.From("on-failure")}, setting{"metrics", a.config.Metrics, a.config.From("metrics")})
	return slices.DeleteFunc(all, func(s setting) bool { return s.Value == "" })
}

// setting gives one that may come of a flag, of the environment, of a file, or of none.
func (a *app) setting(key, flag, variable, otherwise string) setting {
	switch value := a.getenv(variable); {
	case flag != "":
		return setting{key, flag, "--" + key}
	case a.environment(variable) != "":
		return setting{key, value, variable}
	case value != "":
		return setting{key, value, a.config.From(key)}
	}
	return setting{key, otherwise, "default"}
}

// tableSettings gives the keys of a table, each with its place.
func (a *app) tableSettings(name string, table any) (all []setting) {
	for _, flag := range config.KeysOf(table) {
		value := strings.Join(flag.Values, ", ")
		if flag.Values == nil {
			value = "true"
		}
		key := name + "." + flag.Name
		all = append(all, setting{key, value, a.config.From(key)})
	}
	return all
}

// serviceShown gives a service, and the words of kist capture that it stands for.
func (a *app) serviceShown(name string) (serviceConfigJSON, error) {
	prefix, service := "service."+name, a.config.Services[name]
	j := serviceConfigJSON{Name: name, From: a.config.From(prefix), Settings: a.tableSettings(prefix, service)}
	line, err := cmdline.Arrange(sharedFlags(), a.commands(), []string{"capture", "--service=" + name})
	if err != nil {
		return j, err
	}
	if err := captureService(line, name, service); err != nil {
		return j, err
	}
	j.Capture = slices.DeleteFunc(line.Args()[1:], func(word string) bool { return word == "--service="+name })
	if n := len(j.Capture); j.Capture[n-1] == "--" {
		j.Capture = j.Capture[:n-1]
	}
	return j, nil
}

func (a *app) printConfig(j *configJSON) error {
	if len(j.Files) == 0 {
		a.Say("No configuration: %s (kist help config tells what one is).", a.whyNone())
	}
	lines := []string{"setting\tvalue\tfrom"}
	for _, s := range j.Settings {
		lines = append(lines, settingLine(s))
	}
	for _, service := range j.Services {
		for _, s := range service.Settings {
			lines = append(lines, settingLine(s))
		}
	}
	if err := a.FitTable(lines, "value", "from", "setting"); err != nil {
		return err
	}
	for _, service := range j.Services {
		var words []string
		for _, word := range service.Capture {
			words = append(words, screen.ShellQuote(word))
		}
		a.Printf("\nkist capture %s is:\n  kist %s\n", service.Name, screen.Printable(strings.Join(words, " ")))
	}
	return nil
}

func settingLine(s setting) string {
	return screen.Printable(s.Key) + "\t" + screen.Printable(s.Value) + "\t" + screen.Printable(s.From)
}

// whyNone says why no configuration was read.
func (a *app) whyNone() string {
	paths, _ := a.configPaths(a.shared.config)
	switch len(paths) {
	case 0:
		return "none is asked for, by off"
	case 1:
		return paths[0] + " is not there"
	}
	return "none of " + strings.Join(paths, ", ") + " is there"
}
