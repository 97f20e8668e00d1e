//go:build unix

package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
)

// beside is a fake engine of one of two commands: before its call of a number, the other command is run whole.
type beside struct {
	engine.Runner
	at, n int
	other func()
}

// Run implements engine.Runner.
func (r *beside) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	r.n++
	if r.n == r.at {
		r.other()
	}
	return r.Runner.Run(ctx, args, stdin, stdout, stderr)
}

// watched is a fake engine that notes where two versions run at once.
type watched struct {
	*fake
	t *testing.T
}

// Run implements engine.Runner.
func (w watched) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	err := w.fake.Run(ctx, args, stdin, stdout, stderr)
	if err != nil {
		fmt.Fprintln(stderr, err)
	}
	if running, _ := filepath.Glob(w.path("*.running")); len(running) > 1 {
		w.t.Errorf("%q run at once, by %q", running, args)
	}
	return err
}

// another is the same machine, for another command.
func (b *bench) another(r engine.Runner) *bench {
	return &bench{t: b.t, dir: b.dir, cache: b.cache, known: b.known, engine: r}
}

// TestBesideUpgrade: a command that stops the service, and an upgrade, one whole at each moment of the other. Never do two versions run
// at once, and in the end one does, with the name of the service.
func TestBesideUpgrade(t *testing.T) {
	upgrade := []string{"upgrade", "--container", "seedbank", "--to", ":4.2.0", "--watch", "0s", "--accept-lost-settings"}
	stride := 1
	if testing.Short() {
		stride = 4
	}
	for _, pair := range []struct {
		name         string
		outer, inner []string
	}{
		{"upgrade within capture", []string{"capture", "--container", "seedbank", "--stop"}, upgrade},
		{"capture within upgrade", upgrade, []string{"capture", "--container", "seedbank", "--stop"}},
		{"upgrade within restore", []string{"restore", "latest", "--container", "seedbank", "--stop"}, upgrade},
		{"restore within upgrade", upgrade, []string{"restore", "latest", "--container", "seedbank", "--stop"}},
	} {
		t.Run(pair.name, func(t *testing.T) {
			refused := 0
			for at := 1; !t.Failed(); at += stride {
				b := newServiceBench(t)
				w := watched{&fake{b.path("engine")}, t}
				inner := b.another(w)
				status := -1
				outer := b.another(&beside{Runner: w, at: at, other: func() { status = inner.run(t.Context(), pair.inner...) }})
				first := outer.run(t.Context(), pair.outer...)
				if status < 0 {
					if first != statusDone || at < 6 {
						t.Errorf("alone: status %d after %d calls: %s", first, at-1, &outer.stderr)
					}
					break
				}
				if status != statusDone || first != statusDone {
					refused++
				}
				if running, _ := filepath.Glob(b.path("engine", "*.running")); len(running) != 1 || filepath.Base(running[0]) != "seedbank.running" {
					t.Errorf("at call %d, statuses %d and %d, %q run\n%s\n%s", at, first, status, running, &outer.stderr, &inner.stderr)
				}
				for _, kind := range []string{"stopped-*", "upgrade-*"} {
					if left, _ := filepath.Glob(b.path("state", "kist", kind)); len(left) > 0 {
						t.Errorf("at call %d, %q is left\n%s\n%s", at, left, &outer.stderr, &inner.stderr)
					}
				}
			}
			if refused == 0 {
				t.Error("neither was ever refused: the test sees too little")
			}
		})
	}
}

// newServiceBench has a container that can be upgraded, and a capture of it.
func newServiceBench(t *testing.T) *bench {
	t.Helper()
	b := newFakeContainer(t)
	image := `{"Digest":"sha256:22"}`
	if err := os.WriteFile(b.path("engine", "seedbank:4.2.0.json"), []byte(image), 0o600); err != nil {
		t.Fatal(err)
	}
	b.must("capture", "--container", "seedbank", "--stop")
	return b
}

// TestBesideCommands: nor do the commands of an upgrade, and those of a capture of the same folder, run within each other, whichever
// comes first.
func TestBesideCommands(t *testing.T) {
	b := newBench(t)
	t.Setenv("KIST_REPOSITORY", b.path("repo"))
	t.Setenv("KIST_KEY_FILE", b.path("key"))
	t.Setenv("XDG_STATE_HOME", b.path("state"))
	t.Setenv("KIST_STATE", b.known)
	t.Setenv("KIST_CACHE", "off")
	log := b.path("log")
	says := func(what string) string { return fmt.Sprintf("echo %s >>'%s'", what, log) }
	// Each ends with the other one, and so says what came of that.
	capture := func(before string) []string {
		return []string{"capture", "--name", "seedbank", "--before", says("stopped") + "; " + before, "--after", says("started"), b.path("seedbank")}
	}
	upgrade := func(down string) []string {
		return []string{"upgrade", "--name", "seedbank", "--version", "4.1.0", "--to", "4.2.0", "--watch", "0s", "--healthy", "true",
			"--down", says("down") + "; " + down, "--up", says("up"), b.path("seedbank")}
	}
	within := func(args []string) string {
		return "kist '" + strings.Join(strings.Split(strings.ReplaceAll(strings.Join(args, "\x00"), "'", `'\''`), "\x00"), "' '") + "' 2>>'" + b.path("said") + "'" +
			" || " + says("refused")
	}
	for _, c := range []struct {
		name, want, why string
		args            []string
	}{
		{"upgrade within capture", "stopped refused started", "is held still by a run of kist", capture(within(upgrade("true")))},
		{"capture within upgrade", "down refused up", "is part of an upgrade", upgrade(within(capture("true")))},
	} {
		b.must(c.args...)
		got, err := os.ReadFile(log)
		if err != nil || strings.Join(strings.Fields(string(got)), " ") != c.want {
			t.Errorf("%s: %q, %v", c.name, got, err)
		}
		if said, err := os.ReadFile(b.path("said")); err != nil || !strings.Contains(string(said), c.why) {
			t.Errorf("%s: %s, %v", c.name, said, err)
		}
		os.Remove(log)
		os.Remove(b.path("said"))
	}
}
