//go:build unix

package main

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// wait captures a folder into the spool alone, with something in it that nothing else has, and gives the capture's id.
func (b *bench) wait(name string, bytes int) string {
	b.t.Helper()
	noise := make([]byte, bytes)
	rand.NewChaCha8([32]byte([]byte((name + strings.Repeat("-", 32))[:32]))).Read(noise)
	if err := os.MkdirAll(b.path(name), 0o700); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(b.path(name, "lot"), noise, 0o600); err != nil {
		b.t.Fatal(err)
	}
	b.must("capture", "--spool-only", b.path(name))
	return strings.TrimSpace(b.stdout.String())
}

// inSpool gives the files that the spool has of a kind, those that came last at the end.
func (b *bench) inSpool(kind string) (paths []string) {
	b.t.Helper()
	spools, err := filepath.Glob(filepath.Join(b.known, "spool", "*", "repository", kind))
	if err != nil || len(spools) != 1 {
		b.t.Fatalf("%q, %v", spools, err)
	}
	times := make(map[string]time.Time)
	err = filepath.Walk(spools[0], func(path string, info os.FileInfo, err error) error {
		if err == nil && info.Mode().IsRegular() {
			paths = append(paths, path)
			times[path] = info.ModTime()
		}
		return err
	})
	if err != nil {
		b.t.Fatal(err)
	}
	slices.SortFunc(paths, func(a, b string) int { return times[a].Compare(times[b]) })
	return paths
}

func (b *bench) flip(path string) {
	b.t.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		b.t.Fatal(err)
	}
	content[len(content)/2] ^= 1
	if err := os.WriteFile(path, content, 0o600); err != nil {
		b.t.Fatal(err)
	}
}

// expect runs kist, which must end with a status and say texts on standard error.
func (b *bench) expect(status int, texts []string, args ...string) {
	b.t.Helper()
	if got := b.run(b.t.Context(), args...); got != status {
		b.t.Fatalf("kist %q: status %d, not %d: %s", args, got, status, &b.stderr)
	}
	for _, text := range texts {
		if !strings.Contains(b.stderr.String(), text) {
			b.t.Errorf("kist %q does not say %q: %s", args, text, &b.stderr)
		}
	}
}

// TestWaitingUnreadable: an index file of the spool that can't be read keeps nothing else back, is told, and ends with --drop.
func TestWaitingUnreadable(t *testing.T) {
	b := newBench(t)
	b.must("capture", "--spool", b.path("seedbank"))
	harmed, whole := b.wait("harmed", 100_000), b.wait("whole", 100_000)
	for _, path := range b.inSpool("captures") {
		if filepath.Base(path) == harmed {
			b.flip(path)
		}
	}
	said := []string{"capture " + harmed + " waits on this machine to be sent, and can't be read", "kist resume --drop gives it up"}
	b.expect(statusDamage, said, "list")
	if !strings.Contains(b.stdout.String(), whole) {
		t.Errorf("%s", &b.stdout)
	}
	b.expect(statusDamage, nil, "status")
	if !strings.Contains(b.stdout.String(), said[0]) {
		t.Errorf("%s", &b.stdout)
	}
	b.expect(statusDamage, []string{"Sent capture " + whole, "capture " + harmed + " waits on this machine, is damaged there, and was not sent", "kist resume --drop"}, "resume")
	for _, way := range []string{"--spool", "--no-spool"} {
		b.expect(statusDone, []string{"Warning: capture " + harmed}, "capture", way, b.path("seedbank"))
	}
	if err := os.Rename(b.path("repo"), b.path("away")); err != nil {
		t.Fatal(err)
	}
	b.expect(statusDamage, []string{"That is in the spool on this machine: kist resume --drop"}, "show", harmed)
	b.expect(statusFailed, []string{"is made, and waits"}, "capture", b.path("seedbank"))
	if err := os.Rename(b.path("away"), b.path("repo")); err != nil {
		t.Fatal(err)
	}
	b.expect(statusDone, []string{"given up: " + harmed}, "resume", "--drop")
	b.expect(statusDone, []string{"Nothing is open."}, "resume")
	b.must("list")
	if out := b.stdout.String(); strings.Contains(out, harmed) || strings.Count(out, whole) != 1 || strings.Contains(out, "waiting") {
		t.Errorf("%s", out)
	}
	b.must("verify", "--full")
}

// TestWaitingHarmed: a slab of the spool that is damaged keeps nothing else back; capturing the same again relies on nothing of it, and heals
// what waits; and where nobody has it any more, --drop sends what is left.
func TestWaitingHarmed(t *testing.T) {
	b := newBench(t)
	b.must("capture", "--spool", b.path("seedbank"))
	harm := func(name string) (id string) {
		id = b.wait(name, 100_000)
		slabs := b.inSpool("slabs")
		b.flip(slabs[len(slabs)-1])
		return id
	}
	harmed := harm("harmed")
	whole := b.wait("whole", 100_000)
	b.expect(statusDamage, []string{"Sent capture " + whole, "capture " + harmed + " waits on this machine, is damaged there, and was not sent: slabs/", "kist resume --drop"}, "resume")
	b.expect(statusDone, []string{"Warning: capture " + harmed}, "capture", "--no-spool", b.path("seedbank"))
	b.expect(statusDone, []string{"Sent capture " + harmed}, "capture", "--reread", "--spool", b.path("harmed"))
	b.must("restore", harmed, "--into", b.path("restored"))
	got, err := os.ReadFile(b.path("restored", "lot"))
	if want, _ := os.ReadFile(b.path("harmed", "lot")); err != nil || string(got) != string(want) {
		t.Errorf("restored %d bytes, %v", len(got), err)
	}

	lost := harm("lost")
	if err := os.RemoveAll(b.path("lost")); err != nil {
		t.Fatal(err)
	}
	b.expect(statusDamage, nil, "resume")
	b.expect(statusDone, []string{"given up: ", "Sent capture " + lost}, "resume", "--drop")
	b.must("verify", "--full")
	b.must("list")
	if strings.Contains(b.stdout.String(), "waiting") {
		t.Errorf("%s", &b.stdout)
	}
}

// TestTwoSend: two runs on one machine that send what waits at the same time put each capture once, beside a third that captures.
func TestTwoSend(t *testing.T) {
	b := newBench(t)
	b.must("capture", "--spool", b.path("seedbank"))
	var waits []string
	for _, name := range []string{"bean", "pea", "rye"} {
		waits = append(waits, b.wait(name, 100_000))
	}
	var group sync.WaitGroup
	for _, args := range [][]string{{"resume"}, {"resume"}, {"capture", "--spool", b.path("seedbank")}} {
		other := &bench{t: t, dir: b.dir, cache: "off", known: b.known}
		group.Go(func() {
			if status := other.run(t.Context(), args...); status != statusDone {
				t.Errorf("%q: status %d: %s", args, status, &other.stderr)
			}
		})
	}
	group.Wait()
	for _, id := range waits {
		if files, err := filepath.Glob(b.path("repo", "captures", id+"*")); err != nil || len(files) != 1 {
			t.Errorf("%q, %v", files, err)
		}
	}
	b.must("verify", "--full")
}

// TestSpoolNotNoted: where the note is lost of which repository was found at a path, what waits is told, and found, while that is away.
func TestSpoolNotNoted(t *testing.T) {
	b := newBench(t)
	b.must("capture", "--spool", b.path("seedbank"))
	id := b.wait("bean", 1000)
	if err := os.RemoveAll(filepath.Join(b.known, "spool", "places")); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(b.path("repo"), b.path("away")); err != nil {
		t.Fatal(err)
	}
	for _, lost := range []string{"", "mounted"} {
		if lost != "" {
			if err := os.RemoveAll(filepath.Join(b.known, lost)); err != nil {
				t.Fatal(err)
			}
		}
		b.expect(statusMissing, []string{"What is listed is in the spool on this machine"}, "list")
		if !strings.Contains(b.stdout.String(), id) {
			t.Errorf("%s", &b.stdout)
		}
		b.expect(statusMissing, []string{"1 capture waits in the spool"}, "resume")
	}
	if err := os.Rename(b.path("away"), b.path("repo")); err != nil {
		t.Fatal(err)
	}
	b.expect(statusDone, []string{"Sent capture " + id}, "resume")
}

// TestSentBefore: the last ones of each name and host stay by when they came, whatever they say when they were taken.
func TestSentBefore(t *testing.T) {
	now := time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)
	at := func(id, name string, written, taken time.Duration) *store.Capture {
		return &store.Capture{ID: id, Name: name, Written: now.Add(written), Taken: now.Add(taken)}
	}
	const day = 24 * time.Hour
	future := at("future", "seedbank", -4*day, 900*day)
	ahead := at("ahead", "seedbank", 30*day, 30*day) // the clock was wrong
	old := at("old", "seedbank", -5*day, -5*day)
	late := at("late", "seedbank", -day, -300*day) // of old tarballs
	for name, c := range map[string]struct {
		all  []*store.Capture
		want []string
	}{
		"few":                {[]*store.Capture{old, future, ahead}, nil},
		"future":             {[]*store.Capture{old, future, at("a", "seedbank", -3*day, -3*day), at("b", "seedbank", -2*day, -2*day), ahead}, nil},
		"one too many":       {[]*store.Capture{late, old, at("a", "seedbank", -3*day, -3*day), at("b", "seedbank", -2*day, -2*day)}, []string{"old"}},
		"others":             {[]*store.Capture{old, at("a", "orchard", 0, 0), at("b", "orchard", 0, 0), at("c", "orchard", 0, 0), at("d", "orchard", 0, 0)}, []string{"a"}},
		"many of the future": {[]*store.Capture{future, at("f1", "seedbank", -3*day, 900*day), at("f2", "seedbank", -3*day, 900*day), at("f3", "seedbank", -3*day, 900*day)}, []string{"future"}},
	} {
		var got []string
		for _, c := range sentBefore(c.all, now) {
			got = append(got, c.ID)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, not %q", name, got, c.want)
		}
	}
}

// TestSpoolLimit: a spool that may hold no more takes no more, be it found out while it is written; nothing stays of what found no room, the service
// runs, and what was sent before gives way.
func TestSpoolLimit(t *testing.T) {
	b := newFakeContainer(t)
	capture := []string{"capture", "--container", "seedbank", "--stop", "--spool-limit", "80MiB"}
	b.must(append(capture, "--spool")...)
	noise := make([]byte, 82<<20)
	rand.NewChaCha8([32]byte{}).Read(noise)
	if err := os.WriteFile(b.path("seedbank", "lot"), noise, 0o600); err != nil {
		t.Fatal(err)
	}
	size := func() (n int64) {
		for _, path := range b.inSpool("") {
			if info, err := os.Stat(path); err == nil {
				n += info.Size()
			}
		}
		return n
	}
	b.expect(statusFailed, []string{"the spool has as much as it may (--spool-limit): nothing was captured", "or give a higher --spool-limit"}, append(capture, "--spool-only")...)
	b.mustRun("seedbank")
	if n := size(); n > 1<<20 {
		t.Errorf("the spool has %d bytes", n)
	}
	if err := os.Remove(b.path("seedbank", "lot")); err != nil {
		t.Fatal(err)
	}
	b.wait("orchard", 20<<20)
	b.must("resume")
	b.expect(statusDone, []string{"the spool grew by"}, append(capture, "--spool-only")...) // where it has no room but for what was sent
	if n := size(); n > 1<<20 {
		t.Errorf("the spool has %d bytes", n)
	}
	b.must("resume")
	b.must("verify")
}
