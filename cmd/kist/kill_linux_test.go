package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// killRow is a command that is killed.
type killRow struct {
	name string
	// prepare changes what the command works on and gives its arguments.
	prepare func(*killCase) []string
}

// killRows: every command that writes to a repository.
var killRows = []killRow{
	{"capture of a folder", func(k *killCase) []string {
		k.grow()
		return k.captureFolder()
	}},
	{"capture of a tar stream", func(k *killCase) []string {
		k.grow()
		return k.captureTar()
	}},
}

// Captures that make several slabs take longer to check: in a long run, one in so
// many.
const largeRounds = 8

// large marks how long a large one takes.
const large = ", large"

// roundsPerRepository keeps repositories, all of whose captures are restored
// after each round, small.
const roundsPerRepository = 20

// TestKilled kills the program (SIGKILL) at random moments of what it does, and
// holds against it that nothing which was committed is lost, that what shows up
// is whole, and that the next capture works. KIST_TEST_ROUNDS says how often.
func TestKilled(t *testing.T) {
	rounds := 10
	if testing.Short() {
		rounds = 3
	}
	if s := os.Getenv("KIST_TEST_ROUNDS"); s != "" {
		var err error
		if rounds, err = strconv.Atoi(s); err != nil {
			t.Fatal(err)
		}
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	var killed, appeared, partial int
	for done := 0; done < rounds; {
		k := newKillCase(t, random)
		k.long = rounds > roundsPerRepository
		k.measure()
		for range min(roundsPerRepository, rounds-done) {
			k.round(killRows[done%len(killRows)])
			done++
		}
		k.check("the end")
		killed, appeared, partial = killed+k.killed, appeared+k.appeared, partial+k.partial
		k.close()
	}
	t.Logf("%d rounds: %d processes killed before their end, %d captures of those committed all the same, %d left something aside",
		rounds, killed, appeared, partial)
	if killed == 0 {
		t.Error("no process was killed before its end")
	}
}

// killCase is a repository, what it is to hold, and a service's folder.
type killCase struct {
	*bench
	random *rand.Rand
	known  map[string]string // SHA-256 of what each capture restores to, by id
	number int               // of the round
	long   bool              // some of the captures are large
	took   map[string]time.Duration

	killed, appeared, partial int
}

func newKillCase(t *testing.T, random *rand.Rand) *killCase {
	return &killCase{bench: newBench(t), random: random, known: make(map[string]string), took: make(map[string]time.Duration)}
}

// measure finds out how long each command takes unharmed.
func (k *killCase) measure() {
	k.t.Helper()
	for _, row := range killRows {
		began := time.Now()
		k.start(row.prepare(k), func(*exec.Cmd) {})
		took := time.Since(began)
		k.took[row.name], k.took[row.name+large] = took, 6*took
		k.learn()
		k.number++
	}
}

// isLarge tells whether this round's capture is large.
func (k *killCase) isLarge() bool { return k.long && k.number%largeRounds == largeRounds-1 }

// close frees the disk space.
func (k *killCase) close() {
	if err := os.RemoveAll(k.dir); err != nil {
		k.t.Error(err)
	}
}

// grow adds a file of fresh data to the service's folder, and drops old ones.
func (k *killCase) grow() {
	k.t.Helper()
	size := 1<<19 + k.random.IntN(1<<20)
	if k.isLarge() {
		size = 36 << 20 // more than one slab
	}
	old, err := filepath.Glob(k.path("seedbank", "lot*"))
	if err != nil {
		k.t.Fatal(err)
	}
	for _, name := range old {
		if err := os.Remove(name); err != nil {
			k.t.Fatal(err)
		}
	}
	b := make([]byte, size)
	rand.NewChaCha8([32]byte{byte(k.number), byte(k.random.Uint32()), byte(k.random.Uint32())}).Read(b)
	for i := range 4 { // files large and small
		n := len(b) >> (2 * (3 - i))
		if err := os.WriteFile(k.path("seedbank", fmt.Sprintf("lot%d-%d", k.number, i)), b[:n], 0o600); err != nil {
			k.t.Fatal(err)
		}
	}
}

func (k *killCase) captureFolder() []string {
	return []string{"capture", "--quiet", "--note", "folder", "--version", fmt.Sprint(k.number), k.path("seedbank")}
}

func (k *killCase) captureTar() []string {
	k.t.Helper()
	out, err := exec.Command("tar", "-C", k.dir, "-cf", k.path("seedbank.tar"), "seedbank").CombinedOutput()
	if errors.Is(err, exec.ErrNotFound) {
		require(k.t, err)
	}
	if err != nil {
		k.t.Fatalf("%v: %s", err, out)
	}
	return []string{"capture", "--quiet", "--note", "tar", "--version", fmt.Sprint(k.number), "--name", "seedbank", k.path("seedbank.tar")}
}

// start runs the program as a process of its own; during is called once it runs.
// It tells whether the process came to its end.
func (k *killCase) start(args []string, during func(*exec.Cmd)) bool {
	k.t.Helper()
	cmd := exec.Command("kist", args...)
	cmd.Env = append(os.Environ(), "KIST_REPOSITORY="+k.path("repo"), "KIST_KEY_FILE="+k.path("key"),
		"XDG_STATE_HOME="+k.path("state"), "GORACE=atexit_sleep_ms=10")
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
	if err != nil {
		k.t.Fatalf("kist %q: %v: %s", args, err, &output)
	}
	return true
}

func (k *killCase) round(row killRow) {
	k.t.Helper()
	args := row.prepare(k)
	key := row.name
	if k.isLarge() {
		key += large
	}
	after := time.Duration(k.random.Float64() * 1.1 * float64(k.took[key]))
	before, left := len(k.known), k.asides()
	began := time.Now()
	ended := k.start(args, func(cmd *exec.Cmd) {
		// The moment is what is tried: nothing is waited for.
		timer := time.AfterFunc(after, func() { cmd.Process.Kill() })
		k.t.Cleanup(func() { timer.Stop() })
	})
	if took := time.Since(began); ended {
		k.took[key] = min(k.took[key], took)
	}
	k.check(fmt.Sprintf("round %d, %s, killed after %v", k.number, row.name, after))
	if !ended {
		k.killed++
		k.appeared += len(k.known) - before
		if k.asides() > left {
			k.partial++
		}
	}
	if ended && len(k.known) == before {
		k.t.Fatalf("%s: came to its end, and there is no new capture", row.name)
	}
	before = len(k.known)
	k.must(args...)
	k.learn() // the next round restores all
	if len(k.known) == before {
		k.t.Fatal("the capture after it did not appear")
	}
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

// check verifies all in full, and restores every capture that was ever listed.
func (k *killCase) check(what string) {
	k.t.Helper()
	if status := k.run(k.t.Context(), "verify", "--full"); status != statusDone {
		k.t.Fatalf("%s: verify: status %d: %s%s", what, status, &k.stdout, &k.stderr)
	}
	k.learn()
	for id, want := range k.known {
		if got := k.sum(id); got != want {
			k.t.Fatalf("%s: capture %s restores to %s, not %s", what, id, got, want)
		}
	}
}

// sum gives the SHA-256 of the stream of a capture.
func (k *killCase) sum(id string) string {
	k.t.Helper()
	k.must("restore", "--quiet", id, "--tar", "-")
	sum := sha256.Sum256(k.stdout.Bytes())
	return hex.EncodeToString(sum[:])
}

// learn takes down captures that are listed for the first time: they must be
// of what lies there now.
func (k *killCase) learn() {
	k.t.Helper()
	k.must("list", "--json")
	var captures []store.Capture
	if err := json.Unmarshal(k.stdout.Bytes(), &captures); err != nil {
		k.t.Fatal(err)
	}
	listed := make(map[string]bool)
	for _, c := range captures {
		listed[c.ID] = true
		if _, ok := k.known[c.ID]; ok {
			continue
		}
		if c.Version != fmt.Sprint(k.number) {
			k.t.Fatalf("capture %s of round %s appeared in round %d", c.ID, c.Version, k.number)
		}
		k.known[c.ID] = k.expect(&c)
	}
	for id := range k.known {
		if !listed[id] {
			k.t.Fatalf("capture %s is gone", id)
		}
	}
}

// expect gives the SHA-256 that a new capture must restore to. A folder has no
// stream of its own: it is restored as a folder, once, and compared.
func (k *killCase) expect(c *store.Capture) string {
	k.t.Helper()
	if c.Note == "tar" {
		return fileSum(k.t, k.path("seedbank.tar"))
	}
	k.must("restore", "--quiet", c.ID, "--into", k.path("out"))
	if err := compareTo(k.path("seedbank"), k.path("out")); err != nil {
		k.t.Fatalf("capture %s: %v", c.ID, err)
	}
	if err := os.RemoveAll(k.path("out")); err != nil {
		k.t.Fatal(err)
	}
	return k.sum(c.ID)
}

func fileSum(t *testing.T, name string) string {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// TestKilledSetup: a setup that was killed can be done again, whenever it was.
func TestKilledSetup(t *testing.T) {
	b := newBench(t)
	k := &killCase{bench: b, random: rand.New(rand.NewPCG(1, uint64(time.Now().UnixNano())))}
	began := time.Now()
	k.start([]string{"setup", "--repository", k.path("measured"), "--key-file", k.path("measured.key")}, func(*exec.Cmd) {})
	took := time.Since(began)
	for i := range 5 {
		repo, key := k.path(fmt.Sprint("repo", i)), k.path(fmt.Sprint("key", i))
		after := time.Duration(k.random.Float64() * float64(took))
		ended := k.start([]string{"setup", "--repository", repo, "--key-file", key}, func(cmd *exec.Cmd) {
			timer := time.AfterFunc(after, func() { cmd.Process.Kill() })
			t.Cleanup(func() { timer.Stop() })
		})
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
