//go:build unix

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
)

// atCall is the engine as a command asks it that does something before its call of a number.
type atCall struct {
	engine.Runner
	at, n int
	do    func()
}

// Run implements engine.Runner.
func (m *atCall) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	m.n++
	if m.n == m.at {
		m.do()
	}
	return m.Runner.Run(ctx, args, stdin, stdout, stderr)
}

// watched is a fake engine that notes where two versions run at once.
type watched struct {
	said
	t *testing.T
}

// Run implements engine.Runner.
func (w watched) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	err := w.said.Run(ctx, args, stdin, stdout, stderr)
	if running, _ := filepath.Glob(w.path("*.running")); len(running) > 1 {
		w.t.Errorf("%q run at once, by %q", running, args)
	}
	return err
}

// another is the same machine, for another command.
func (b *bench) another(r engine.Runner) *bench {
	return &bench{t: b.t, dir: b.dir, cache: b.cache, known: b.known, engine: r}
}

// turns has two commands go on by turns, which change at random when one asks the engine for something.
type turns struct {
	mu      sync.Mutex
	changed sync.Cond
	rand    *rand.Rand
	turn    int
	ended   [2]bool
}

// takes waits for a command's next turn.
func (t *turns) takes(me int, mayChange bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if mayChange && t.rand.IntN(3) == 0 {
		t.turn = 1 - me
		t.changed.Broadcast()
	}
	for t.turn != me && !t.ended[1-me] {
		t.changed.Wait()
	}
}

func (t *turns) end(me int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.ended[me] = true
	t.changed.Broadcast()
}

// taking is the engine of a command that waits for its turns.
type taking struct {
	engine.Runner
	*turns
	me int
}

// Run implements engine.Runner.
func (r taking) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	r.takes(r.me, true)
	return r.Runner.Run(ctx, args, stdin, stdout, stderr)
}

// TestBesideUpgrade: a command that stops the service, and an upgrade, by turns. Never do two versions run at once, and in the end one
// does, under the name of the service. KIST_TEST_ROUNDS says how often.
func TestBesideUpgrade(t *testing.T) {
	rounds := 30
	if s := os.Getenv("KIST_TEST_ROUNDS"); s != "" {
		rounds, _ = strconv.Atoi(s)
	}
	for _, args := range [][]string{
		{"capture", "--container", "seedbank", "--stop"},
		{"restore", "latest", "--container", "seedbank", "--stop"},
	} {
		t.Run(args[0], func(t *testing.T) {
			refused := 0
			for round := 0; round < rounds && !t.Failed(); round++ {
				refused += besideOnce(t, args)
			}
			if refused == 0 || refused == rounds {
				t.Errorf("of %d rounds one of the two was refused in %d: the test sees too little", rounds, refused)
			}
		})
	}
}

// besideOnce runs a command and an upgrade by turns, and tells whether one of them was refused.
func besideOnce(t *testing.T, args []string) (refused int) {
	t.Helper()
	seed := rand.Uint64()
	b := newServiceBench(t)
	w := watched{said{&fake{b.path("engine")}}, t}
	by := &turns{rand: rand.New(rand.NewPCG(seed, 0))}
	by.turn, by.changed.L = by.rand.IntN(2), &by.mu
	var both [2]*bench
	var status [2]int
	var wait sync.WaitGroup
	for me, args := range [][]string{args, {"upgrade", "--container", "seedbank", "--to", ":4.2.0", "--watch", "0s", "--accept-lost-settings"}} {
		both[me] = b.another(taking{w, by, me})
		wait.Go(func() {
			by.takes(me, false)
			defer by.end(me)
			status[me] = both[me].run(t.Context(), args...)
		})
	}
	wait.Wait()
	running, _ := filepath.Glob(b.path("engine", "*.running"))
	stopped, _ := filepath.Glob(b.path("state", "kist", "stopped-*"))
	open, _ := filepath.Glob(b.path("state", "kist", "upgrade-*"))
	if len(running) != 1 || filepath.Base(running[0]) != "seedbank.running" || len(stopped)+len(open) > 0 || t.Failed() {
		calls, _ := os.ReadFile(b.path("engine", "calls"))
		t.Errorf("seed %d, statuses %d: %q run, %q and %q are left\n%s\n%s\n%s", seed, status, running, stopped, open, &both[0].stderr, &both[1].stderr, calls)
	}
	if status[0] != statusDone || status[1] != statusDone {
		return 1
	}
	return 0
}

// TestUpgradeSinceItBegan: where an upgrade began since a capture looked, nothing is stopped, and no command is run.
func TestUpgradeSinceItBegan(t *testing.T) {
	b := newServiceBench(t)
	line, err := json.Marshal(upgrade.Record{
		Step: upgrade.Starting, Began: time.Now(), Engine: "engine", Container: "seedbank", Old: "id-seedbank", New: "id-next", Places: []string{b.path("seedbank")},
		Stuck: "a person must look",
	})
	if err == nil {
		err = os.WriteFile(b.path("prepared"), append(line, '\n'), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	journal := b.path("state", "kist", "upgrade-id-seedbank.json")
	begins := fmt.Sprintf("cp '%s' '%s'; echo 4.1.0", b.path("prepared"), journal)
	runs := "echo run >>'" + b.path("log") + "'"
	for name, args := range map[string][]string{
		"container":     {"--container", "seedbank", "--stop"},
		"both commands": {"--before", runs, "--after", runs, b.path("seedbank")},
		"--before":      {"--before", runs, b.path("seedbank")},
	} {
		os.Remove(b.path("engine", "calls"))
		args = append([]string{"capture", "--engine", "engine", "--version-from", begins}, args...)
		if status := b.run(t.Context(), args...); status != statusFailed || !strings.Contains(b.stderr.String(), "is part of an upgrade of seedbank") {
			t.Errorf("%s: status %d: %s", name, status, &b.stderr)
		}
		if calls, _ := os.ReadFile(b.path("engine", "calls")); strings.Contains(string(calls), "stop") {
			t.Errorf("%s: %s", name, calls)
		}
		if _, err := os.Stat(b.path("log")); err == nil {
			t.Errorf("%s: it was run", name)
		}
		if err := os.Remove(journal); err != nil {
			t.Error(err)
		}
	}
	b.mustRun("seedbank")
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

// onCall is an engine that something is done to just before it does the first command of a word, after one of another.
type onCall struct {
	engine.Runner
	after, word string
	do          func()
}

// Run implements engine.Runner.
func (o *onCall) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	switch {
	case o.after != "" && args[0] == o.after:
		o.after = ""
	case o.after == "" && args[0] == o.word && o.do != nil:
		o.do()
		o.do = nil
	}
	return o.Runner.Run(ctx, args, stdin, stdout, stderr)
}

// TestBackBesideHelper: another container that writes to the same data, and runs, ends an undo before anything is stopped. Where it
// is started later, and where an upgrade goes back by itself, it is said loudly, the data is kept and the service runs.
func TestBackBesideHelper(t *testing.T) {
	upgrade := []string{"upgrade", "--container", "seedbank", "--to", ":4.2.0", "--watch", "0s", "--accept-lost-settings"}
	undo := []string{"upgrade", "--container", "seedbank", "--undo", "--watch", "0s"}
	loud := "CONTAINER helper RUNS, AND GOES ON WRITING INTO WHAT IS SET ASIDE"
	for name, test := range map[string]struct {
		args       []string
		undo, late bool
		want       string
		status     int
		exchanged  bool
	}{
		"undo":               {args: undo, undo: true, want: "container helper runs and has the same data", status: statusFailed},
		"undo, dry run":      {args: append(undo, "--dry-run"), undo: true, want: "container helper runs and has the same data", status: statusFailed},
		"undo, started late": {args: undo, undo: true, late: true, want: loud, status: statusDone, exchanged: true},
		"going back":         {args: append(upgrade, "--accept-shared", "--accept-unhealthy", "--healthy", "false"), want: loud, status: statusFailed, exchanged: true},
	} {
		t.Run(name, func(t *testing.T) {
			b := newServiceBench(t)
			about, err := os.ReadFile(b.path("engine", "seedbank.json"))
			if err != nil {
				t.Fatal(err)
			}
			f := &fake{b.path("engine")}
			b.engine = said{f}
			if test.undo {
				b.must(upgrade...)
			}
			start := func() {
				if err := errors.Join(os.WriteFile(f.path("helper.json"), about, 0o600), os.WriteFile(f.path("helper.running"), nil, 0o600)); err != nil {
					t.Fatal(err)
				}
			}
			if test.late {
				b.engine = &onCall{Runner: b.engine, word: "stop", do: start}
			} else {
				start()
			}
			if status := b.run(t.Context(), test.args...); status != test.status || !strings.Contains(b.stderr.String(), test.want) {
				t.Errorf("status %d: %s", status, &b.stderr)
			}
			kept, _ := filepath.Glob(b.path("seedbank.before-*"))
			if !f.has("seedbank.running") || (len(kept) == 1) != test.exchanged {
				t.Errorf("kept is %q: %s", kept, &b.stderr)
			}
			if left, _ := filepath.Glob(b.path("state", "kist", "upgrade-*")); len(left) > 0 {
				t.Errorf("%q is left", left)
			}
		})
	}
}

// said is a fake engine that says what is wrong, as programs do.
type said struct{ *fake }

// Run implements engine.Runner.
func (s said) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	err := s.fake.Run(ctx, args, stdin, stdout, stderr)
	if err != nil {
		fmt.Fprintln(stderr, err)
	}
	return err
}

// TestStartedMeanwhileIsMarked: a capture of a container that something started before all was read is told, and marked as one of a
// service that ran: so lists show it, and rotations prefer others. One that is started once all was read is not.
func TestStartedMeanwhileIsMarked(t *testing.T) {
	for name, test := range map[string]struct {
		stands, late bool
	}{
		"stopped": {}, "stood": {stands: true}, "started once all was read": {late: true},
	} {
		t.Run(name, func(t *testing.T) {
			b := newFakeContainer(t)
			f := &fake{b.path("engine")}
			run := func() {
				if err := os.WriteFile(f.path("seedbank.running"), nil, 0o600); err != nil {
					t.Fatal(err)
				}
			}
			args := []string{"capture", "--container", "seedbank"}
			calls := &atCall{Runner: f, do: run}
			switch {
			case test.stands:
				os.Remove(f.path("seedbank.running"))
				calls.at = 3 // it is found, its image is, and it is looked at when all was read
			default:
				args = append(args, "--stop")
				calls.at = 8 // found, its image found, others asked for and looked at, looked at, stopped, looked at, and looked at when all was read
			}
			if test.late {
				calls.at++
			}
			b.engine = calls
			status := b.run(t.Context(), args...)
			told := strings.Contains(b.stderr.String(), "it was started meanwhile, so the data may be of no single moment")
			if want := map[bool]int{false: statusFailed, true: statusDone}[test.late]; status != want || told == test.late {
				t.Errorf("status %d: %s", status, &b.stderr)
			}
			b.must("list")
			if marked := strings.Contains(b.stdout.String(), "live"); marked == test.late {
				t.Errorf("list: %s", &b.stdout)
			}
			b.must("show", "latest")
			if marked := strings.Contains(b.stdout.String(), "live=may have run meanwhile"); marked == test.late {
				t.Errorf("show: %s", &b.stdout)
			}
		})
	}
}
