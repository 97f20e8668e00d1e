package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Captures that make several slabs take longer to check: in a long run, one in so
// many.
const largeRounds = 16

// large marks how long a large one takes.
const large = ", large"

// roundsPerRepository keeps repositories, all of whose captures are restored
// after each round, small.
const roundsPerRepository = 24

// manyTries times as often as asked is tried, until a process is killed before its
// end: a fast one may escape.
const manyTries = 10

// killRounds says how often is killed: KIST_TEST_ROUNDS times, or as often as usual.
func killRounds(t *testing.T, usual int) int {
	t.Helper()
	s := os.Getenv("KIST_TEST_ROUNDS")
	if s == "" {
		return usual
	}
	n, err := strconv.Atoi(s)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// TestKilled kills the program (SIGKILL) at random moments of what it does, and
// holds against it that nothing which was committed is lost, that what shows up
// is whole, and that the same command, the next capture and the next reclaim work.
// KIST_TEST_ROUNDS says how often.
func TestKilled(t *testing.T) {
	killAll(t, killRounds(t, 5), (*killCase).killSometime)
}

// killing runs a command and kills it, and tells how, and whether it came to its end
// before that.
type killing func(k *killCase, row killRow, args []string) (how string, ended bool)

// killAll kills commands in turn, from any of them on.
func killAll(t *testing.T, rounds int, kill killing) {
	if testing.Short() {
		t.Skip("who is killed tells the race detector nothing")
	}
	t.Helper()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	rows := killRows()
	first := random.IntN(len(rows))
	sum, took := killCounts{}, make(map[string]time.Duration)
	killed := make(map[string]int) // by command
	for done := 0; done < rounds || sum.killed == 0 && done < manyTries*rounds; {
		k := newKillCase(t, random)
		k.long, k.took = rounds > roundsPerRepository, took
		for range min(roundsPerRepository, max(1, rounds-done)) {
			row := rows[(first+done)%len(rows)]
			before := k.killed
			k.round(row, kill)
			killed[row.name] += k.killed - before
			done++
		}
		k.check("the end")
		sum.add(k.killCounts)
		k.close()
	}
	t.Logf("%d rounds: %s", rounds, sum)
	t.Log(killed)
	if sum.killed == 0 {
		t.Error("no process was killed before its end")
	}
}

// killCounts counts what was seen.
type killCounts struct{ killed, appeared, partial int }

func (c *killCounts) add(d killCounts) {
	c.killed, c.appeared, c.partial = c.killed+d.killed, c.appeared+d.appeared, c.partial+d.partial
}

func (c killCounts) String() string {
	return fmt.Sprintf("%d processes killed before their end, %d captures of those committed all the same, %d left something aside", c.killed, c.appeared, c.partial)
}

// killCase is a repository, what it is to hold, and a service's folder.
type killCase struct {
	*bench
	killCounts
	random *rand.Rand
	known  map[string]string // SHA-256 of what each capture restores to, by id
	fates  map[string]fate   // of captures, by id
	listed []string          // ids of captures, oldest first
	harmed bool              // contents were damaged, and are to be repaired
	worn   bool              // contents were damaged, and are read through parity
	number int               // of the round
	long   bool              // some of the captures are large
	took   map[string]time.Duration
}

// newKillCase gives a repository: one in three has parity.
func newKillCase(t *testing.T, random *rand.Rand) *killCase {
	k := &killCase{
		bench: newBench(t), random: random,
		known: make(map[string]string), fates: make(map[string]fate), took: make(map[string]time.Duration),
	}
	if random.IntN(3) == 0 {
		k.must("settings", "--parity", "3%")
	}
	return k
}

// isLarge tells whether this round's capture is large.
func (k *killCase) isLarge() bool { return k.long && k.number%largeRounds == largeRounds-1 }

// close frees the disk space.
func (k *killCase) close() {
	if err := os.RemoveAll(k.dir); err != nil {
		k.t.Error(err)
	}
}

// start runs the program as a process of its own; during is called once it runs.
// It tells whether the process came to its end.
func (k *killCase) start(during func(*exec.Cmd), name string, args ...string) bool {
	k.t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Env = k.environment()
	var output bytes.Buffer
	cmd.Stdout, cmd.Stderr = &output, &output
	if err := cmd.Start(); err != nil {
		k.t.Fatal(err)
	}
	during(cmd)
	err := cmd.Wait()
	status, ok := cmd.ProcessState.Sys().(syscall.WaitStatus)
	if ok && status.Signaled() && status.Signal() == syscall.SIGKILL {
		return false
	}
	var exit *exec.ExitError
	if k.harmed && errors.As(err, &exit) && exit.ExitCode() == statusDamage {
		return true
	}
	if err != nil {
		k.t.Fatalf("%s %q: %v: %s", name, args, err, &output)
	}
	return true
}

func (k *killCase) environment() []string {
	return append(os.Environ(), "KIST_REPOSITORY="+k.path("repo"), "KIST_KEY_FILE="+k.path("key"), "KIST_CACHE="+k.cache,
		"XDG_STATE_HOME="+k.path("state"), "GORACE=atexit_sleep_ms=10")
}

// guess is how long a command is taken to take before one came to its end.
func (k *killCase) guess() time.Duration {
	k.t.Helper()
	began := time.Now()
	k.start(func(*exec.Cmd) {}, "kist", "list")
	guess := 2 * time.Since(began)
	if k.isLarge() {
		guess *= 6
	}
	return guess
}

// killSometime kills after a random time.
func (k *killCase) killSometime(row killRow, args []string) (string, bool) {
	k.t.Helper()
	key := row.name
	if k.isLarge() {
		key += large
	}
	if k.took[key] == 0 {
		k.took[key] = k.guess()
	}
	after := time.Duration(k.random.Float64() * 1.1 * float64(k.took[key]))
	began := time.Now()
	ended := k.start(func(cmd *exec.Cmd) {
		// The moment is what is tried: nothing is waited for.
		timer := time.AfterFunc(after, func() { cmd.Process.Kill() })
		k.t.Cleanup(func() { timer.Stop() })
	}, "kist", args...)
	if took := time.Since(began); ended {
		k.took[key] = min(k.took[key], took)
	}
	return fmt.Sprintf("killed after %v", after), ended
}

func (k *killCase) round(row killRow, kill killing) {
	k.t.Helper()
	k.cache = []string{"off", k.path("cache")}[k.random.IntN(2)]
	args := row.prepare(k)
	before, left := len(k.known), k.asides()
	how, ended := kill(k, row, args)
	what := fmt.Sprintf("round %d, %s, %s", k.number, row.name, how)
	k.check(what)
	if !ended {
		k.killed++
		k.appeared += max(0, len(k.known)-before)
		if k.asides() > left {
			k.partial++
		}
	}
	if ended && row.captures && len(k.known) == before {
		k.t.Fatalf("%s: came to its end, and there is no new capture", what)
	}
	before = len(k.known)
	k.must(args...) // at once: what was killed stands in nobody's way
	k.learn()
	if row.captures && len(k.known) == before {
		k.t.Fatalf("%s: the capture after it did not appear", what)
	}
	if row.settled != nil {
		row.settled(k)
	}
	if !row.captures {
		k.capture()
	}
	k.reclaimAll(what)
	k.number++
}

// asides counts, and removes nothing of, what is neither there nor not.
func (k *killCase) asides() int {
	found := 0
	for _, pattern := range []string{"*/_*.part", "*/*/_*.part"} {
		names, err := filepath.Glob(k.path("repo", pattern))
		if err != nil {
			k.t.Fatal(err)
		}
		found += len(names)
	}
	return found
}

// TestKilledSetup: a setup that was killed can be done again, whenever it was.
func TestKilledSetup(t *testing.T) {
	b := newBench(t)
	k := &killCase{bench: b, random: rand.New(rand.NewPCG(1, uint64(time.Now().UnixNano())))}
	began := time.Now()
	k.start(func(*exec.Cmd) {}, "kist", "setup", "--repository", k.path("measured"), "--key-file", k.path("measured.key"))
	took := time.Since(began)
	for i := range 5 {
		repo, key := k.path(fmt.Sprint("repo", i)), k.path(fmt.Sprint("key", i))
		after := time.Duration(k.random.Float64() * float64(took))
		ended := k.start(func(cmd *exec.Cmd) {
			timer := time.AfterFunc(after, func() { cmd.Process.Kill() })
			t.Cleanup(func() { timer.Stop() })
		}, "kist", "setup", "--repository", repo, "--key-file", key)
		if _, err := os.Stat(filepath.Join(repo, "kist.json")); err == nil || ended {
			b.must("verify", "--full", "--repository", repo, "--key-file", key)
			continue
		}
		status := b.run(context.Background(), "setup", "--repository", repo, "--key-file", key)
		if status != statusDone && !strings.Contains(b.stderr.String(), repo) && !strings.Contains(b.stderr.String(), key) {
			t.Errorf("killed after %v: setup again: status %d: %s", after, status, &b.stderr)
		}
	}
}
