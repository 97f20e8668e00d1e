//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/notes"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
	"github.com/kistarchive/kist/store"
)

// appAt gives the program, with its notes in a folder.
func appAt(t *testing.T) (a *app, notes string) {
	t.Helper()
	state := t.TempDir()
	a = newApp(&bytes.Buffer{}, io.Discard, io.Discard, func(name string) string {
		return map[string]string{"XDG_STATE_HOME": state}[name]
	})
	notes = filepath.Join(state, "kist")
	if err := os.Mkdir(notes, 0o700); err != nil {
		t.Fatal(err)
	}
	return a, notes
}

// TestCheckNoUpgrade: what an open upgrade is about stays as it is: its containers, by id and by name, and its places, above and
// below, in whatever container or source.
func TestCheckNoUpgrade(t *testing.T) {
	a, notes := appAt(t)
	place := filepath.Join(t.TempDir(), "data")
	if err := os.Mkdir(place, 0o700); err != nil {
		t.Fatal(err)
	}
	for _, r := range []upgrade.Record{
		{Step: upgrade.Starting, Began: time.Now(), Engine: "engine", Container: "seedbank", Old: "c0", New: "c1", Places: []string{place}},
		{Step: upgrade.Starting, Began: time.Now(), Container: "mill", Old: "name-of-mill", Up: "true", Down: "true"},
	} {
		b, err := json.Marshal(r)
		if err == nil {
			err = os.WriteFile(filepath.Join(notes, "upgrade-"+r.Old+".json"), append(b, '\n'), 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	container := func(program, id, name string, mounts ...engine.Mount) []*containers.Container {
		e := engine.NewWith(program, &fake{t.TempDir()})
		return []*containers.Container{{Target: stopped.Target{Container: &engine.Container{ID: id, Name: name, Mounts: mounts}, Engine: e}}}
	}
	mount := func(source string, rw bool) engine.Mount {
		return engine.Mount{Type: "bind", Source: source, Destination: "/data", RW: rw}
	}
	for name, c := range map[string]struct {
		targets []*containers.Container
		places  []string
		free    bool
	}{
		"the old one":                          {container("engine", "c0", "seedbank-before-x"), nil, false},
		"the new one":                          {container("engine", "c1", "seedbank-next-x"), nil, false},
		"one that has its name":                {container("engine", "c7", "seedbank"), nil, false},
		"one of its name, of another engine":   {container("other", "c7", "seedbank"), nil, true},
		"one of the name of what is none":      {container("", "c7", "mill"), nil, true},
		"another":                              {container("engine", "c7", "diary"), nil, true},
		"another that writes there":            {container("engine", "c7", "diary", mount(place, true)), nil, false},
		"another that writes below":            {container("engine", "c7", "diary", mount(place+"/in", true)), nil, false},
		"another that writes above":            {container("engine", "c7", "diary", mount(filepath.Dir(place), true)), nil, false},
		"another that reads there":             {container("engine", "c7", "diary", mount(place, false)), nil, true},
		"another that writes beside it":        {container("engine", "c7", "diary", mount(place+"base", true)), nil, true},
		"another with a mount that is nowhere": {container("engine", "c7", "diary", mount("", true)), nil, true},
		"the place":                            {nil, []string{"/srv/other", place}, false},
		"below it":                             {nil, []string{place + "/in"}, false},
		"another place":                        {nil, []string{place + "base"}, true},
	} {
		if err := a.checkNoUpgrade(c.targets, c.places); (err == nil) != c.free {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestWantedOfKilled: what a run is at work on is not wanted, and what one left that was killed is, with what to do.
func TestWantedOfKilled(t *testing.T) {
	a, dir := appAt(t)
	for _, name := range []string{"seedbank", "mill"} {
		b, err := json.Marshal(upgrade.Record{Step: upgrade.Starting, Began: time.Now(), Container: name, Old: name, Up: "true", Down: "true"})
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, "upgrade-"+name+".json"), append(b, '\n'), 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	held, err := notes.Take(filepath.Join(dir, "upgrade-mill.json"))
	if err != nil || held == nil {
		t.Fatal(held, err)
	}
	defer held.Release()
	s := &state{Status: &store.Status{}, stopped: []stopped.Noted{
		{Container: "diary"}, {Container: "diary-at-work", AtWork: true}, {Container: "beds", Restoring: true}, {Container: "beds-at-work", Restoring: true, AtWork: true},
	}}
	if s.upgrades, err = a.upgrader(nil).Opened(); err != nil || len(s.upgrades) != 2 {
		t.Fatal(s.upgrades, err)
	}
	var got []string
	for _, w := range s.wanted() {
		_, todo, _ := strings.Cut(w.text, ": ")
		got = append(got, w.kind+" "+w.name+": "+todo)
	}
	if want := []string{"upgrade seedbank: kist resume", "stopped diary: kist resume", "stopped beds: restore again"}; !slices.Equal(got, want) {
		t.Errorf("%q, not %q", got, want)
	}
}

// TestCheckHalf: a source that is, holds or lies in what a restore left half done is not captured.
func TestCheckHalf(t *testing.T) {
	a, _ := appAt(t)
	dir := t.TempDir()
	place, link := filepath.Join(dir, "data"), filepath.Join(dir, "link")
	f := &fake{t.TempDir()}
	if err := errors.Join(os.Mkdir(place, 0o700), os.Symlink("data", link), os.WriteFile(f.path("seedbank.json"), []byte("{}"), 0o600)); err != nil {
		t.Fatal(err)
	}
	e := engine.NewWith("engine", f)
	c, err := e.Inspect(t.Context(), "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	if h, err := a.keeper().HaltToRestore(t.Context(), stopped.Target{Container: c, Engine: e}, []string{place}, []string{"/data"}); h == nil || err != nil {
		t.Fatal(h, err)
	}
	for _, s := range []struct {
		path string
		kind sources.Kind
		free bool
	}{
		{place, sources.Folder, false}, {link, sources.Folder, false}, {place + "/in", sources.Folder, false}, {dir, sources.Folder, false},
		{place + "base", sources.Folder, true}, {place, sources.Stdin, true},
	} {
		err := (&capturing{app: a, sources: []*sources.Source{{Kind: s.kind, Path: s.path}}}).checkHalf()
		if (err == nil) != s.free {
			t.Errorf("%s: %v", s.path, err)
		}
	}
}
