//go:build unix

package main

import (
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/store"
)

// newFakeContainer has a container seedbank, with the bench's folder as its
// volume, that runs.
func newFakeContainer(t *testing.T) *bench {
	t.Helper()
	b := newBench(t)
	dir := b.path("engine")
	b.engine = &fake{dir}
	about := `{"Image":"image","ImageName":"seedbank:4.1.0","Mounts":[{"Type":"bind","Source":"$WORK/seedbank","Destination":"/data","RW":true}]}`
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"seedbank.json": about, "image.json": "{}", "seedbank.running": ""} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return b
}

func (b *bench) mustRun(container string) {
	b.t.Helper()
	if _, err := os.Stat(b.path("engine", container+".running")); err != nil {
		b.t.Fatalf("the container does not run: %s", &b.stderr)
	}
	if left, _ := filepath.Glob(b.path("state", "kist", "stopped-*")); len(left) > 0 {
		b.t.Fatalf("%q was left: %s", left, &b.stderr)
	}
}

// TestInterruptedContainer: wherever a capture or restore is interrupted, the
// container runs after it. As each time is a process or two, a run tries about every third moment.
func TestInterruptedContainer(t *testing.T) {
	b := newFakeContainer(t)
	b.stride = 3
	b.interruptAll(func() {
		t.Helper()
		b.mustRun("seedbank")
		if b.stdout.Len() > 0 {
			t.Fatalf("capture %s is made, and that it was interrupted is said: %s", &b.stdout, &b.stderr)
		}
	}, "capture", "--container", "seedbank", "--stop")
	b.mustRun("seedbank")
	before := b.names()
	b.interruptAll(func() {
		t.Helper()
		b.mustRun("seedbank")
		if got := b.names(); got != before {
			t.Fatalf("%q was left, not %q", got, before)
		}
	}, "restore", "latest", "--container", "seedbank", "--stop", "--discard-previous")
	b.mustRun("seedbank")
}

// TestInterruptedAndDown: an interrupt does not hide that the container is down.
func TestInterruptedAndDown(t *testing.T) {
	b := newFakeContainer(t)
	if err := os.WriteFile(b.path("engine", "fail-start"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	b.engine = interrupting{b.engine, cancel}
	if status := b.run(ctx, "capture", "--container", "seedbank", "--stop"); status != statusFailed {
		t.Errorf("status %d", status)
	}
	if got := b.stderr.String(); !strings.Contains(got, "kist: interrupted\nCONTAINER seedbank IS STOPPED") {
		t.Error(got)
	}
}

// interrupting interrupts when the container is stopped, which then is stopped
// all the same.
type interrupting struct {
	engine.Runner
	cancel context.CancelFunc
}

func (i interrupting) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	if args[0] == "stop" {
		i.cancel()
	}
	return i.Runner.Run(ctx, args, stdin, stdout, stderr)
}

// TestBrokenPipe: that nobody reads what kist says must not leave the container
// stopped.
func TestBrokenPipe(t *testing.T) {
	b := newFakeContainer(t)
	t.Setenv("FAKE_ENGINE", b.path("engine"))
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
	cmd := exec.Command("kist", "capture", "--engine", "engine", "--container", "seedbank", "--stop")
	cmd.Env = append(os.Environ(), "KIST_CACHE=off", "KIST_REPOSITORY="+b.path("repo"), "KIST_KEY_FILE="+b.path("key"), "XDG_STATE_HOME="+b.path("state"))
	cmd.Stderr = w
	if err := cmd.Run(); err == nil {
		t.Error("it did not notice")
	}
	w.Close()
	b.mustRun("seedbank")
	b.must("list", "--json")
	if !strings.Contains(b.stdout.String(), `"container":"seedbank"`) {
		t.Error(b.stdout.String())
	}
}

// TestStrict: the capture's id is printed, and the status tells of changed files.
func TestStrict(t *testing.T) {
	for strict, want := range map[bool]int{true: statusFailed, false: statusDone} {
		b := &bench{t: t}
		s := &capturing{app: newApp(nil, &b.stdout, &b.stderr, os.Getenv), strict: strict}
		c := &store.Capture{ID: "20260314t0203z-k7f3", Volumes: []store.Volume{{Changed: 2}}}
		err := s.report(&captured{Capture: c})
		if statusOf(err) != want || b.stdout.String() != c.ID+"\n" {
			t.Errorf("strict %t: %v, %q", strict, err, &b.stdout)
		}
		if !strings.Contains(b.stderr.String(), "2 files changed while being read. Was the service stopped?") {
			t.Error(&b.stderr)
		}
	}
}
