package config

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
)

// Settings are what the files of a machine say together. A key of a later file counts before that
// of an earlier one; a service, or another table, of a later file counts as a whole.
type Settings struct {
	File
	Paths []string // of the files that were read, the one that counts most last

	from map[string]string // keys of File: "FILE:LINE"
}

// Load reads the files at paths, the one that counts most last. Where one is missing it is
// passed over, unless must is true.
func Load(paths []string, must bool) (*Settings, error) {
	s := &Settings{from: make(map[string]string)}
	for _, path := range paths {
		d, err := read(path)
		if absent := (*cmdline.MissingError)(nil); errors.As(err, &absent) && !must {
			continue
		}
		if err != nil {
			return nil, err
		}
		s.Paths = append(s.Paths, path)
		s.take(d)
	}
	return s, nil
}

// take puts a file over what there is.
func (s *Settings) take(d *document) {
	to, f := &s.File, &d.file
	if f.KeyFile != "" || f.PassphraseFile != "" { // one of the two, so the other one's is gone
		to.KeyFile, to.PassphraseFile = "", ""
		delete(s.from, "key-file")
		delete(s.from, "passphrase-file")
	}
	to.Repository = cmp.Or(f.Repository, to.Repository)
	to.KeyFile = cmp.Or(f.KeyFile, to.KeyFile)
	to.PassphraseFile = cmp.Or(f.PassphraseFile, to.PassphraseFile)
	if f.OtherKeyFile != "" || f.OtherPassphraseFile != "" {
		to.OtherKeyFile, to.OtherPassphraseFile = "", ""
		delete(s.from, "other-key-file")
		delete(s.from, "other-passphrase-file")
	}
	to.Replica = cmp.Or(f.Replica, to.Replica)
	to.OtherKeyFile = cmp.Or(f.OtherKeyFile, to.OtherKeyFile)
	to.OtherPassphraseFile = cmp.Or(f.OtherPassphraseFile, to.OtherPassphraseFile)
	to.Engine = cmp.Or(f.Engine, to.Engine)
	to.Cache = cmp.Or(f.Cache, to.Cache)
	to.State = cmp.Or(f.State, to.State)
	to.GiveUp = cmp.Or(f.GiveUp, to.GiveUp)
	to.Metrics = cmp.Or(f.Metrics, to.Metrics)
	to.OnFailure = cmp.Or(f.OnFailure, to.OnFailure)
	to.Retire = cmp.Or(f.Retire, to.Retire)
	to.Replicate = cmp.Or(f.Replicate, to.Replicate)
	to.Verify = cmp.Or(f.Verify, to.Verify)
	to.Status = cmp.Or(f.Status, to.Status)
	for name, service := range f.Services {
		if to.Services == nil {
			to.Services = make(map[string]*Service)
		}
		to.Services[name] = service
		for key := range s.from {
			if key == "service."+name || strings.HasPrefix(key, "service."+name+".") {
				delete(s.from, key)
			}
		}
	}
	for key, line := range d.lines {
		s.from[key] = fmt.Sprintf("%s:%d", d.path, line)
	}
}

// From gives FILE:LINE of a key, such as repository or service.seedbank.source; of one in a
// table that stands in one line, that line; "" where no file says it.
func (s *Settings) From(key string) string {
	for {
		if from, ok := s.from[key]; ok {
			return from
		}
		end := strings.LastIndexByte(key, '.')
		if end < 0 {
			return ""
		}
		key = key[:end]
	}
}

// Getenv gives variables of the environment, and where one is not set what the configuration
// says in its place. What opens the repository is one thing: a file that the environment or
// systemd gives counts before either key.
func (s *Settings) Getenv(getenv func(string) string) func(string) string {
	return func(variable string) string {
		if value := getenv(variable); value != "" {
			return value
		}
		switch variable {
		case "KIST_REPOSITORY":
			return s.Repository
		case "KIST_REPLICA":
			return s.Replica
		case "KIST_OTHER_KEY_FILE", "KIST_OTHER_PASSPHRASE_FILE":
			if getenv("KIST_OTHER_KEY_FILE") != "" || getenv("KIST_OTHER_PASSPHRASE_FILE") != "" {
				return ""
			}
			if variable == "KIST_OTHER_KEY_FILE" {
				return s.OtherKeyFile
			}
			return s.OtherPassphraseFile
		case "KIST_ENGINE":
			return s.Engine
		case "KIST_CACHE":
			return s.Cache
		case "KIST_STATE":
			return s.State
		case "KIST_GIVE_UP":
			return s.GiveUp
		case "KIST_KEY_FILE", "KIST_PASSPHRASE_FILE":
			if opensElsewhere(getenv) {
				return ""
			}
			if variable == "KIST_KEY_FILE" {
				return s.KeyFile
			}
			return s.PassphraseFile
		}
		return ""
	}
}

// opensElsewhere tells whether the environment says what opens the repository.
func opensElsewhere(getenv func(string) string) bool {
	if getenv("KIST_KEY_FILE") != "" || getenv("KIST_PASSPHRASE_FILE") != "" {
		return true
	}
	dir := getenv("CREDENTIALS_DIRECTORY")
	if dir == "" {
		return false
	}
	_, err := os.Stat(filepath.Join(dir, "kist.passphrase"))
	return err == nil
}

// ServiceNames gives the names of all services, sorted.
func (s *Settings) ServiceNames() []string { return slices.Sorted(maps.Keys(s.Services)) }

// RulesOf gives the rules of a service's rotation, or nil where it has none.
func (s *Settings) RulesOf(service *Service) *Rules {
	switch {
	case service.Retire != nil:
		return service.Retire
	case s.Retire != nil && s.Retire.Rules != Rules{}:
		return &s.Retire.Rules
	}
	return nil
}
