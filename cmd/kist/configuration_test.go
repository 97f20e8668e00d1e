package main

import (
	"reflect"
	"slices"
	"testing"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/config"
)

// TestKeysAreFlags: each key of a configuration is a flag of the command that it is for, and of
// that kind. A few are not.
func TestKeysAreFlags(t *testing.T) {
	a := newApp(nil, nil, nil, func(string) string { return "" })
	for _, c := range []struct {
		command *cli.Command
		table   any
		others  []string
	}{
		{a.captureCommand(), config.Capture{}, nil},
		{a.retireCommand(), config.Rules{}, nil},
		{a.rehearseCommand(), config.Rehearsal{}, []string{"on-calendar"}},
		{a.upgradeCommand(), upgradeFlags{}, nil},
		{a.statusCommand(), config.Status{}, []string{"on-calendar"}},
		{a.verifyCommand(), config.Verification{}, []string{"on-calendar"}},
	} {
		for _, f := range reflect.VisibleFields(reflect.TypeOf(c.table)) {
			key := f.Tag.Get("toml")
			if f.Anonymous || slices.Contains(c.others, key) {
				continue
			}
			i := slices.IndexFunc(c.command.Flags, func(f cli.Flag) bool { return f.Names()[0] == key })
			if i < 0 {
				t.Errorf("kist %s has no flag --%s", c.command.Name, key)
				continue
			}
			if takes := c.command.Flags[i].(cli.DocGenerationFlag).TakesValue(); takes == (f.Type.Kind() == reflect.Bool) {
				t.Errorf("kist %s --%s takes a value: %t, and the key is %s", c.command.Name, key, takes, f.Type)
			}
		}
	}
}
