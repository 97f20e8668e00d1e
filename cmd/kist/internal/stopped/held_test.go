//go:build unix

package stopped

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
)

// TestUpgradeAtWork: whoever would stop something notes it first, and only then looks for upgrades; where one is about the same,
// nothing is stopped or run, and no note is left.
func TestUpgradeAtWork(t *testing.T) {
	refused := errors.New("an upgrade is at work")
	for name, try := range map[string]func(*Keeper, Target, Commands) error{
		"capture": func(k *Keeper, c Target, _ Commands) error { _, err := k.Halt(t.Context(), c); return err },
		"restore": func(k *Keeper, c Target, _ Commands) error {
			_, err := k.HaltToRestore(t.Context(), c, nil, nil)
			return err
		},
		"commands": func(k *Keeper, _ Target, c Commands) error {
			c.Folders = []string{"/srv/seedbank"}
			return k.WhileStill(t.Context(), c, func(context.Context) error { t.Error("it went on"); return nil })
		},
	} {
		t.Run(name, func(t *testing.T) {
			k, c, f, _ := newKeeper(t)
			c.Mounts = []engine.Mount{{Source: "/srv/seedbank", RW: true}, {Source: "/srv/read"}, {RW: true}}
			path := filepath.Join(t.TempDir(), "log")
			commands := Commands{Before: "echo before >>'" + path + "'", After: "echo after >>'" + path + "'"}
			asked := 0
			k.Upgrade = func(h Held) (bool, error) {
				asked++
				noted, err := k.Held()
				if err != nil || len(noted) != 1 || !slices.Equal(noted[0].Folders, h.Folders) || !slices.Equal(h.Folders, []string{"/srv/seedbank"}) || noted[0].ID != h.ID {
					t.Errorf("%+v, and noted is %+v, %v", h, noted, err)
				}
				return false, refused
			}
			if err := try(k, c, commands); !errors.Is(err, refused) || asked != 1 {
				t.Errorf("asked %d times: %v", asked, err)
			}
			mustRun(t, k, f)
			if b, err := os.ReadFile(path); err == nil {
				t.Errorf("%q was run", b)
			}
		})
	}
}

// TestUpgradeOfStanding: so it is of a restore into what stands, also where an earlier one left it half done.
func TestUpgradeOfStanding(t *testing.T) {
	k, c, f, _ := newKeeper(t)
	c.Running, f.running = false, false
	free := k.Upgrade
	refused := errors.New("an upgrade is at work")
	busy := func(Held) (bool, error) { return false, refused }
	for _, half := range []bool{false, true} {
		if half {
			k.Upgrade = free
			h, err := k.HaltToRestore(t.Context(), c, nil, nil)
			if err != nil {
				t.Fatal(err)
			}
			h.note.release() // as the system does when a run is killed
		}
		k.Upgrade = busy
		if h, err := k.HaltToRestore(t.Context(), c, nil, nil); h != nil || !errors.Is(err, refused) {
			t.Errorf("half %t: %v, %v", half, h, err)
		}
	}
}

// TestSetAsideMeanwhile: a container that was set aside is neither stopped nor started, by whoever stopped it or by a later run; one
// that only got another name is started.
func TestSetAsideMeanwhile(t *testing.T) {
	for name, test := range map[string]struct {
		other, begun bool
		started      bool
	}{
		"another has its name":            {other: true},
		"an upgrade is about to do it":    {begun: true},
		"it got another name by somebody": {started: true},
	} {
		for _, killed := range []bool{false, true} {
			k, c, f, stderr := newKeeper(t)
			h, err := k.Halt(t.Context(), c)
			if err != nil {
				t.Fatal(err)
			}
			f.name, f.other = "seedbank-before-x", test.other
			if test.begun {
				f.name = ""
				k.Upgrade = func(Held) (bool, error) { return true, errors.New("an upgrade is at work") }
			}
			said := ""
			if killed {
				h.note.release()
				stderr.Reset()
				err = k.StartLeft(t.Context())
				said = stderr.String()
			} else if err = h.Resume(t.Context()); err != nil {
				said, err = err.Error(), nil
			}
			if err != nil || f.running != test.started || !test.started && !strings.Contains(said, "container seedbank ") {
				t.Errorf("%s, killed %t: running %t, %v, and it says %q", name, killed, f.running, err, said)
			}
			held, err := k.Held()
			if left := test.begun && killed; err != nil || (len(held) == 1) != left { // it is looked at again once the upgrade is at its end
				t.Errorf("%s, killed %t: %+v, %v", name, killed, held, err)
			}
		}
	}
	k, c, f, _ := newKeeper(t)
	f.name, f.other = "seedbank-before-x", true
	if _, err := k.Halt(t.Context(), c); err == nil || !strings.Contains(err.Error(), "set aside as seedbank-before-x meanwhile") {
		t.Error(err)
	}
	mustRun(t, k, f)
}

// TestAfterWithinUpgrade: what was left to be let go is left to a later run while an upgrade is at work on it.
func TestAfterWithinUpgrade(t *testing.T) {
	k, c, log := logged(t)
	if _, _, err := k.note(c); err != nil {
		t.Fatal(err)
	}
	closeNotes(t, k)
	begun := true
	k.Upgrade = func(Held) (bool, error) {
		if begun {
			return true, errors.New("an upgrade is at work")
		}
		return false, nil
	}
	if err := k.StartLeft(t.Context()); err != nil || log() != "" {
		t.Errorf("%v, and it was run", err)
	}
	begun = false
	if err := k.StartLeft(t.Context()); err != nil || log() != "after" {
		t.Errorf("%v, and it was not run", err)
	}
}
