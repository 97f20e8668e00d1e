package main

import (
	"context"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// TestKilledReplicate kills what copies to a second place at random moments: what is listed there is whole, the same
// command does the rest at once, and slabs that arrived are not sent again.
func TestKilledReplicate(t *testing.T) {
	if testing.Short() {
		t.Skip("who is killed tells the race detector nothing")
	}
	b := newBench(t)
	k := &killCase{bench: b, random: rand.New(rand.NewPCG(2, uint64(time.Now().UnixNano())))}
	second := b.path("second")
	b.must("setup", "--repository", second, "--replica-of", b.path("repo"))
	killed := 0
	for round := range 6 {
		k.number = round
		k.grow()
		b.must(k.captureFolder()...)
		b.must(k.captureTar()...)
		after := time.Duration(k.random.Float64() * float64(k.guess()))
		ended := k.start(func(cmd *exec.Cmd) {
			timer := time.AfterFunc(after, func() { cmd.Process.Kill() })
			t.Cleanup(func() { timer.Stop() })
		}, "kist", "replicate", "--to", second)
		if !ended {
			killed++
		}
		b.must("verify", "--full", "--repository", second)
		arrived := slabTimes(t, second)
		b.must("replicate", "--to", second)
		for name, at := range slabTimes(t, second) {
			if was, ok := arrived[name]; ok && !at.Equal(was) {
				t.Errorf("killed after %v: %s was sent again", after, name)
			}
		}
		b.must("verify", "--full", "--repository", second)
		if here, there := k.idsIn(b.path("repo")), k.idsIn(second); here != there || here == "" {
			t.Errorf("killed after %v: there are\n%sand here\n%s", after, there, here)
		}
	}
	t.Logf("%d of 6 killed before their end", killed)
}

// slabTimes gives when each slab of a repository was written.
func slabTimes(t *testing.T, repository string) map[string]time.Time {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(repository, "slabs", "*", "*"))
	if err != nil {
		t.Fatal(err)
	}
	times := make(map[string]time.Time)
	for _, name := range names {
		info, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		times[name] = info.ModTime()
	}
	return times
}

// idsIn gives the captures of a repository, as show tells them.
func (k *killCase) idsIn(repository string) string {
	k.t.Helper()
	if status := k.run(context.Background(), "list", "--json", "--repository", repository); status != statusDone {
		k.t.Fatalf("status %d: %s", status, &k.stderr)
	}
	return k.stdout.String()
}
