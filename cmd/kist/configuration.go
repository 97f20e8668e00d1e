package main

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/config"
	"github.com/kistarchive/kist/cmd/kist/internal/places"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// The one place where a configuration meets the command line. What is a variable of the
// environment, too, is answered in its place (config.Settings.Getenv), so that each command asks its
// flag, then the environment. A service becomes flags and arguments of the command (withService), a
// table of a command its flags (withTables).

// unconfigured are the commands that read no configuration, or more than one can do with a wrong one.
var unconfigured = []string{"help", "version", "demo", "config", completeWord}

// readConfig reads the configuration, that of --config if one is asked for, and has it answer in
// the place of variables that are not set.
func (a *app) readConfig(asked string) error {
	paths, must := a.configPaths(asked)
	settings, err := config.Load(paths, must)
	if err != nil {
		return err
	}
	a.config, a.environment = settings, a.getenv
	a.getenv = settings.Getenv(a.getenv)
	return nil
}

// configPaths gives where configurations may lie, and whether they must be there.
func (a *app) configPaths(asked string) (paths []string, must bool) {
	switch path := cmp.Or(asked, a.getenv("KIST_CONFIG")); path {
	case "":
		return places.Configs(a.getenv), false
	case "off":
		return nil, true
	default:
		return []string{path}, true
	}
}

// serviceCommands are those that take the name of a service, and what they do with it.
func (a *app) serviceCommands() map[string]func(*cmdline.Line, string, *config.Service) error {
	return map[string]func(*cmdline.Line, string, *config.Service) error{
		"capture": captureService, "retire": a.retireService, "rehearse": rehearseService, "upgrade": upgradeService,
	}
}

// withTables gives kist verify, kist status and kist replicate the flags that their tables say. Of verify's two one
// on the command line takes the place of both.
func (a *app) withTables(line *cmdline.Line) {
	switch {
	case slices.Equal(line.Words, []string{"verify"}) && a.config.Verify != nil && !line.Has("full", "sample"):
		line.Replace(absent(line, a.config.Verify), line.Rest())
	case slices.Equal(line.Words, []string{"replicate"}) && a.config.Replicate != nil:
		line.Replace(absent(line, a.config.Replicate), line.Rest())
	case slices.Equal(line.Words, []string{"status"}) && a.config.Status != nil:
		line.Replace(absent(line, a.config.Status), line.Rest())
	}
}

// withService puts what the configuration says of a service in the place of its name.
func (a *app) withService(line *cmdline.Line) error {
	if len(line.Words) == 0 {
		return nil
	}
	put, ok := a.serviceCommands()[line.Words[0]]
	if !ok {
		return nil
	}
	name, err := a.serviceMeant(line)
	if err != nil || name == "" {
		return err
	}
	return put(line, name, a.config.Services[name])
}

// serviceMeant gives the service that a command line names, by --service or by a bare word, and ""
// where it names none. A word that may be something else as well is refused.
func (a *app) serviceMeant(line *cmdline.Line) (string, error) {
	command, rest := line.Words[0], line.Rest()
	if line.Has("service") {
		name := line.Value("service")
		if a.config.Services[name] == nil {
			return "", a.noService(name)
		}
		if len(rest) > 0 && command != "capture" {
			return "", usagef("%s: --service and %q are both given", command, rest[0])
		}
		return name, nil
	}
	if line.Has(otherwise[command]...) {
		return "", nil
	}
	i := slices.IndexFunc(rest, func(word string) bool { return a.config.Services[word] != nil })
	if i < 0 {
		return "", nil
	}
	name := rest[i]
	if len(rest) > 1 {
		return "", usagef("%s: %s is a service of the configuration, and more is named: name one service, or the path ./%s", command, name, name)
	}
	if _, err := os.Lstat(name); err == nil && (command == "capture" || command == "upgrade") {
		return "", usagef("%s: %s is a service of the configuration, and something in this folder is called so: --service %s is the one, ./%s the other", command, name, name, name)
	}
	line.Replace(nil, nil)
	return name, nil
}

// otherwise are the flags by which commands are told what they are about in another way.
var otherwise = map[string][]string{
	"capture": {"container", "from"}, "retire": {"undo"}, "rehearse": {"newest"}, "upgrade": {"container", "up", "down"},
}

// noService says that there is no such service, and which there are.
func (a *app) noService(name string) error {
	names := a.config.ServiceNames()
	if len(names) == 0 {
		return missing(errors.New("no service " + screen.Line(name) + ": the configuration has none (kist config shows it)"))
	}
	return missing(errors.New("no service " + screen.Line(name) + " in the configuration; it has " + strings.Join(names, ", ") + cmdline.Meant(name, names)))
}

// withServices asks of a source that is missing whether a service was meant.
func (a *app) withServices(err error, path string) error {
	if meant := cmdline.Meant(path, a.config.ServiceNames()); meant != "" {
		return fmt.Errorf("%w%s", err, meant)
	}
	return err
}

// absent gives the words for flags of a table that the command line does not give itself.
func absent(line *cmdline.Line, table any) (words []string) {
	for _, flag := range config.FlagsOf(table) {
		if !line.Has(flag.Name) {
			words = append(words, flag.Words()...)
		}
	}
	return words
}

func captureService(line *cmdline.Line, name string, s *config.Service) error {
	c := s.Capture
	c.Name = cmp.Or(c.Name, name)
	if line.Has("version") {
		c.VersionFrom = ""
	} else if line.Has("version-from") {
		c.Version = ""
	}
	if line.Has("live") {
		c.Stop = false
	} else if line.Has("stop") {
		c.Live = false
	}
	rest, from := s.Source, s.From
	if len(line.Rest()) > 0 || line.Has("container", "from") { // of what is there now, instead
		rest, from = line.Rest(), nil
		c.Container, c.ExcludeMount, c.Stop, c.Live, c.IncludeReadonly = nil, nil, false, false, false
	}
	words := absent(line, c)
	if len(from) > 0 {
		words, rest = append(words, "--from"), from
	}
	line.Replace(words, rest)
	return nil
}

// retireService applies a service's rotation to its captures of its host.
func (a *app) retireService(line *cmdline.Line, name string, s *config.Service) error {
	words := []string{"--name=" + cmp.Or(s.Name, name)}
	if !line.Has("host") {
		words = append(words, "--host="+cmp.Or(s.Host, hostName()))
	}
	if line.Has(ruleFlags...) {
		line.Replace(words, nil)
		return nil
	}
	rules := a.config.RulesOf(s)
	if rules == nil {
		return usagef("retire: the configuration has no rules for %s: give some, such as --days 7 --weeks 5, or write [service.%s.retire]", name, name)
	}
	line.Replace(append(words, absent(line, rules)...), nil)
	return nil
}

// rehearseService rehearses a service's newest capture of its host.
func rehearseService(line *cmdline.Line, name string, s *config.Service) error {
	words := []string{"--newest"}
	if !line.Has("host") {
		words = append(words, "--host="+cmp.Or(s.Host, hostName()))
	}
	if s.Engine != "" && !line.Has("engine") {
		words = append(words, "--engine="+s.Engine)
	}
	if s.Rehearse != nil {
		trial := *s.Rehearse
		if line.Has("data-only") {
			trial = config.Rehearsal{Scratch: trial.Scratch}
		}
		words = append(words, absent(line, trial)...)
	}
	line.Replace(words, []string{cmp.Or(s.Name, name)})
	return nil
}

// upgradeService upgrades a service's container, or what up and down say. An undo knows all but
// which one.
func upgradeService(line *cmdline.Line, name string, s *config.Service) error {
	choice := upgradeFlags{Engine: s.Engine, Version: s.Version, ExcludeMount: s.ExcludeMount}
	if s.Upgrade != nil {
		choice.UpgradeChoice = *s.Upgrade
	}
	var which string
	var rest []string
	switch {
	case len(s.Container) == 1:
		which = "--container=" + s.Container[0]
	case choice.Up != "":
		which, rest = "--name="+cmp.Or(s.Name, name), s.Source
	default:
		return usagef("upgrade: of %s the configuration says neither one container nor [service.%s.upgrade] with up and down", name, name)
	}
	if line.Has("undo") {
		choice, rest = upgradeFlags{Engine: choice.Engine}, nil
	}
	line.Replace(append([]string{which}, absent(line, choice)...), rest)
	return nil
}

// upgradeFlags are those of kist upgrade that a service may give.
type upgradeFlags struct {
	config.UpgradeChoice
	Engine       string   `toml:"engine"`
	Version      string   `toml:"version"`
	ExcludeMount []string `toml:"exclude-mount"`
}

// ofService gives a command the flag that names a service.
func ofService(c *cli.Command) *cli.Command {
	c.Flags = append(c.Flags, &cli.StringFlag{Name: "service", Usage: "the service `NAME` of the configuration, where a bare word may be something else (kist help config)"})
	return c
}
