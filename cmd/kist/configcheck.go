package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/config"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/units"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store/rotation"
)

// faults are what each run by the configuration would fail of.
type faults struct {
	from  func(key string) string
	texts []string
}

func (f *faults) note(key string, err error) {
	if err != nil {
		f.texts = append(f.texts, fmt.Sprintf("%s (%s): %v", key, cmp.Or(f.from(key), "in no file"), err))
	}
}

// there notes a path that is missing.
func (f *faults) there(key, path string) {
	if path != "" {
		_, err := os.Stat(path)
		if errors.Is(err, fs.ErrNotExist) {
			err = fmt.Errorf("%s is not there", screen.Line(path))
		}
		f.note(key, err)
	}
}

// program notes a container engine that is not there.
func (f *faults) program(key, name string) {
	if name != "" {
		_, err := exec.LookPath(name)
		f.note(key, err)
	}
}

// checkConfig looks for faults that reading the files does not show.
func (a *app) checkConfig(ctx context.Context) error {
	f := &faults{from: a.config.From}
	if !where.IsAddress(a.config.Repository) { // else no file tells
		f.there("repository", a.config.Repository)
	}
	f.there("key-file", a.config.KeyFile)
	f.there("passphrase-file", a.config.PassphraseFile)
	if a.environment("KIST_ENGINE") == "" {
		f.program("engine", a.config.Engine)
	}
	for _, name := range a.config.ServiceNames() {
		a.checkService(ctx, f, "service."+name, a.config.Services[name])
	}
	if r := a.config.Retire; r != nil {
		f.calendar(ctx, "retire", r.OnCalendar)
	}
	if v := a.config.Verify; v != nil {
		f.calendar(ctx, "verify", v.OnCalendar)
	}
	if s := a.config.Status; s != nil {
		f.calendar(ctx, "status", s.OnCalendar)
	}
	return a.reportFaults(f.texts)
}

// calendar notes a time that systemd.time(7) has no meaning for.
func (f *faults) calendar(ctx context.Context, table, when string) {
	if when != "" {
		f.note(table+".on-calendar", units.CheckCalendar(ctx, when))
	}
}

func (a *app) checkService(ctx context.Context, f *faults, key string, s *config.Service) {
	for _, named := range s.Source {
		if _, path, err := sources.Split(named); err == nil && s.Before == "" { // which may make it
			f.there(key+".source", path)
		}
	}
	f.program(key+".engine", s.Engine)
	for _, name := range s.Container {
		program := cmp.Or(s.Engine, a.getenv("KIST_ENGINE"), engine.Default)
		_, err := containers.Find(ctx, a.engine(program), name)
		f.note(key+".container", err)
	}
	f.calendar(ctx, key, s.OnCalendar)
	if s.Rehearse != nil {
		f.calendar(ctx, key+".rehearse", s.Rehearse.OnCalendar)
	}
	if rules := a.config.RulesOf(s); rules != nil {
		_, err := rotation.Plan(nil, rotationRules(rules), time.Now(), nil)
		f.note(key+".retire", err)
	}
}

func (a *app) reportFaults(faults []string) error {
	slices.Sort(faults)
	if a.JSON {
		if err := a.PrintJSON(struct {
			Files  []string `json:"files"`
			OK     bool     `json:"ok"`
			Faults []string `json:"faults"`
		}{slices.Concat([]string{}, a.config.Paths), len(faults) == 0, slices.Concat([]string{}, faults)}); err != nil {
			return err
		}
	} else {
		for _, fault := range faults {
			a.Printf("%s\n", screen.Printable(fault))
		}
		if len(faults) == 0 {
			a.Printf("%s\n", a.faultlessText())
		}
	}
	if len(faults) > 0 {
		return &statusError{status: statusFailed}
	}
	return nil
}

func (a *app) faultlessText() string {
	if len(a.config.Paths) == 0 {
		return "No configuration is read, so there is no fault in one."
	}
	return fmt.Sprintf("No fault in %s: %s.", screen.Printable(strings.Join(a.config.Paths, " and ")), screen.Count(len(a.config.Services), "service", "services"))
}

func rotationRules(r *config.Rules) rotation.Rules {
	return rotation.Rules{Last: r.Last, Days: r.Days, Weeks: r.Weeks, Months: r.Months, Years: r.Years, Versions: r.Versions}
}
