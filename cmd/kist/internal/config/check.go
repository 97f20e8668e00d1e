package config

import (
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
)

// serviceName is what services may be called: nothing that a path, an id of a capture, latest or
// NAME@VERSION may be.
var serviceName = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_-]*$`)

// check refuses what can't be meant, and makes paths absolute.
func (d *document) check() error {
	f := &d.file
	if f.KeyFile != "" && f.PassphraseFile != "" {
		return d.failf("passphrase-file", "a key-file is given, too: one of them opens the repository")
	}
	if f.OtherKeyFile != "" && f.OtherPassphraseFile != "" {
		return d.failf("other-passphrase-file", "an other-key-file is given, too: one of them opens the other place")
	}
	if f.Replicate != nil && f.Replica == "" {
		return d.failf("replicate", "replica says where to, and is not given")
	}
	for key, path := range map[string]*string{
		"repository": &f.Repository, "key-file": &f.KeyFile, "passphrase-file": &f.PassphraseFile, "cache": &f.Cache, "state": &f.State,
		"metrics": &f.Metrics, "replica": &f.Replica, "other-key-file": &f.OtherKeyFile, "other-passphrase-file": &f.OtherPassphraseFile,
	} {
		if (key == "cache" || key == "state") && *path == "off" {
			continue
		}
		if (key == "repository" || key == "replica") && where.IsAddress(*path) {
			if _, err := where.Parse(*path, func(string) string { return "" }); err != nil {
				return d.failf(key, "%w", err)
			}
			continue
		}
		if err := d.absolute(key, path); err != nil {
			return err
		}
	}
	if err := d.checkTables(); err != nil {
		return err
	}
	if err := d.engine("engine", &f.Engine); err != nil {
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(f.Services)) {
		if err := d.checkService(name, f.Services[name]); err != nil {
			return err
		}
	}
	return nil
}

// checkTables refuses what kist verify and kist status would not take.
func (d *document) checkTables() error {
	if v := d.file.Verify; v != nil && v.Sample != "" {
		if v.Full {
			return d.failf("verify.sample", "full is given, too")
		}
		if _, err := cmdline.Share("sample", v.Sample); err != nil {
			return d.failf("verify.sample", "%q: write it as \"5%%\" or \"0.05\", more than 0 and at most 100%%", v.Sample)
		}
	}
	if _, err := cmdline.Patience(d.file.GiveUp); err != nil && d.file.GiveUp != "" {
		return d.failf("give-up", "%w", err)
	}
	if s := d.file.Status; s != nil && s.OlderThan != "" {
		if age, err := cmdline.Duration(s.OlderThan); err != nil || age == 0 {
			return d.failf("status.older-than", "%q: write it as \"26h\", \"7d\" or \"2w\"", s.OlderThan)
		}
	}
	return nil
}

// engine refuses what names no program: one is called by a word that PATH finds, or by its path.
func (d *document) engine(key string, program *string) error {
	if strings.TrimSpace(*program) != *program {
		return d.failf(key, "%q begins or ends with a space: it is the name or path of one program", *program)
	}
	if !strings.ContainsRune(*program, '/') {
		return nil
	}
	return d.absolute(key, program)
}

// absolute makes a path that begins with ~/ absolute, and refuses others: a timer has another
// folder to begin from than a person.
func (d *document) absolute(key string, path *string) error {
	if rest, ok := strings.CutPrefix(*path, "~/"); ok {
		home, err := os.UserHomeDir()
		if err != nil {
			return d.failf(key, "%w", err)
		}
		*path = filepath.Join(home, rest)
	}
	if *path != "" && !filepath.IsAbs(*path) {
		return d.failf(key, "%q must be an absolute path, or begin with ~/", *path)
	}
	return nil
}

func (d *document) checkService(name string, s *Service) error {
	key := "service." + name
	if !serviceName.MatchString(name) || name == "latest" {
		return d.failf(key, "a service is called by letters, digits, - and _, with a letter first, and not latest (name = gives its captures another name)")
	}
	given := 0
	for _, list := range [][]string{s.Source, s.Container, s.From} {
		given += min(len(list), 1)
		if slices.Contains(list, "") {
			return d.failf(key, "a source, container or word of from is empty")
		}
	}
	switch {
	case given != 1:
		return d.failf(key, "one of source, container and from says where its data is")
	case s.Version != "" && s.VersionFrom != "":
		return d.failf(key+".version-from", "version is given, too")
	case s.Stop && s.Live:
		return d.failf(key+".live", "stop is given, too")
	case len(s.Container) == 0 && (s.Stop || s.Live || s.IncludeReadonly || len(s.ExcludeMount) > 0):
		return d.failf(key, "stop, live, include-readonly and exclude-mount go with container")
	}
	if err := d.engine(key+".engine", &s.Engine); err != nil {
		return err
	}
	for i, named := range s.Source {
		if err := d.checkSource(key+".source", named, &s.Source[i]); err != nil {
			return err
		}
	}
	return d.checkTimes(key, s)
}

// checkSource makes the path of NAME=PATH absolute.
func (d *document) checkSource(key, named string, to *string) error {
	name, path, err := sources.Split(named)
	if err != nil {
		return d.failf(key, "%w", err)
	}
	if path == "-" {
		return d.failf(key, "standard input is nothing for a configuration; from = [\"COMMAND\"] captures what a command prints")
	}
	if err := d.absolute(key, &path); err != nil {
		return err
	}
	if *to = path; name != "" {
		*to = name + "=" + path
	}
	return nil
}

// checkTimes reads the values that are spans of time, and paths of rehearsals.
func (d *document) checkTimes(key string, s *Service) error {
	if r := s.Rehearse; r != nil {
		if err := d.absolute(key+".rehearse.scratch", &r.Scratch); err != nil {
			return err
		}
		if err := d.span(key+".rehearse.watch", r.Watch); err != nil {
			return err
		}
	}
	if u := s.Upgrade; u != nil {
		if len(s.From) > 0 || len(s.Container) > 1 {
			return d.failf(key+".upgrade", "one container can be upgraded, or what up and down say, with folders as source")
		}
		if ofContainer := len(s.Container) > 0; ofContainer == (u.Up != "" || u.Down != "") {
			return d.failf(key+".upgrade", "up and down are for what is no container, and needed there")
		}
		return d.span(key+".upgrade.watch", u.Watch)
	}
	return nil
}

// span refuses what package flag would not read as the value of --watch.
func (d *document) span(key, value string) error {
	if value == "" {
		return nil
	}
	if err := cmdline.GoDuration(value); err != nil {
		return d.failf(key, "%w", err)
	}
	return nil
}
