package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/trees"
)

// newTwoContainers has containers app and db that run, each with a folder of its own.
func newTwoContainers(t *testing.T) *bench {
	t.Helper()
	b := newFakeContainer(t)
	for _, name := range []string{"app", "db"} {
		about := fmt.Sprintf(`{"ImageName":"seedbank:4.1.0","Mounts":[{"Type":"bind","Source":"$WORK/%s.dat","Destination":"/data","RW":true}]}`, name)
		for path, text := range map[string]string{name + ".dat/x": name, "engine/" + name + ".json": about, "engine/" + name + ".running": ""} {
			if err := os.MkdirAll(filepath.Dir(b.path(path)), 0o700); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(b.path(path), []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	return b
}

// TestKilledWithSeveralContainers: at whichever command of the engine kist is killed, the
// next command starts all again, the last that was stopped first.
func TestKilledWithSeveralContainers(t *testing.T) {
	b := newTwoContainers(t)
	t.Setenv("FAKE_ENGINE", b.path("engine"))
	kist := func(args ...string) *exec.Cmd {
		cmd := exec.Command("kist", args...)
		cmd.Env = append(os.Environ(), "KIST_CACHE=off", "KIST_STATE="+b.known, "KIST_ENGINE=engine", "KIST_REPOSITORY="+b.path("repo"),
			"KIST_KEY_FILE="+b.path("key"), "XDG_STATE_HOME="+b.path("state"))
		return cmd
	}
	died, bothDown := 0, 0
	for _, when := range []string{"die-before", "die-behind"} {
		for n := 1; ; n++ {
			os.Remove(b.path("engine", "calls"))
			if err := os.WriteFile(b.path("engine", when), []byte(strconv.Itoa(n)), 0o600); err != nil {
				t.Fatal(err)
			}
			cmd := kist("capture", "--container", "app", "--container", "db", "--stop")
			out, err := cmd.CombinedOutput()
			if err == nil {
				break
			}
			if cmd.ProcessState.ExitCode() != -1 {
				t.Fatalf("%s call %d: %v: %s", when, n, err, out)
			}
			died++
			down := !b.isRunning("app") && !b.isRunning("db")
			os.Remove(b.path("engine", "calls"))
			if out, err := kist("resume").CombinedOutput(); err != nil {
				t.Fatalf("%s call %d: %v: %s", when, n, err, out)
			}
			b.mustRun("app")
			b.mustRun("db")
			if calls, _ := os.ReadFile(b.path("engine", "calls")); down {
				bothDown++
				if bytes.Index(calls, []byte("start id-db")) > bytes.Index(calls, []byte("start id-app")) {
					t.Errorf("%s call %d: %s", when, n, calls)
				}
			}
		}
		os.Remove(b.path("engine", when))
	}
	if died < 20 || bothDown < 3 {
		t.Errorf("it died %d times, with both down %d times", died, bothDown)
	}
	b.must("verify", "--full")
}

func (b *bench) isRunning(name string) bool {
	_, err := os.Stat(b.path("engine", name+".running"))
	return err == nil
}

// TestInterruptedWhenDone: an interrupt once the capture is committed changes nothing: it is
// held, the container runs, and the exit status says that it is done.
func TestInterruptedWhenDone(t *testing.T) {
	b := newFakeContainer(t)
	ctx, cancel := context.WithCancel(t.Context())
	b.engine = interruptingAt{b.engine, "start", cancel}
	if status := b.run(ctx, "capture", "--container", "seedbank", "--stop", "--hold"); status != statusDone {
		t.Errorf("status %d: %s", status, &b.stderr)
	}
	b.mustRun("seedbank")
	if got := b.stderr.String(); !strings.Contains(got, "Interrupted when all was done: capture ") {
		t.Error(got)
	}
	b.must("list", "--json")
	if got := b.stdout.String(); !strings.Contains(got, `"held":true`) {
		t.Error(got)
	}
}

// interruptingAt interrupts at a command of the engine.
type interruptingAt struct {
	engine.Runner
	word   string
	cancel context.CancelFunc
}

func (i interruptingAt) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	if args[0] == i.word {
		i.cancel()
	}
	return i.Runner.Run(ctx, args, stdin, stdout, stderr)
}

// TestEarlyReadCounts: what is read while the container runs counts as added.
func TestEarlyReadCounts(t *testing.T) {
	b := newFakeContainer(t)
	content := make([]byte, 1<<20)
	for i := range content {
		content[i] = byte(i * i >> 7 * i >> 3)
	}
	if err := os.WriteFile(b.path("seedbank", "catalogue.dat"), content, 0o600); err != nil {
		t.Fatal(err)
	}
	b.must("capture", "--container", "seedbank", "--stop", "--json")
	_, text, _ := strings.Cut(b.stdout.String(), `"added_bytes":`)
	text, _, _ = strings.Cut(text, ",")
	added, err := strconv.Atoi(text)
	if err != nil {
		t.Fatal(err)
	}
	stored := 0
	for _, kind := range []string{"slabs", "tables", "captures"} {
		n, err := trees.Size(b.path("repo", kind))
		if err != nil {
			t.Fatal(err)
		}
		stored += int(n)
	}
	if added < stored*9/10 || added > stored {
		t.Errorf("added %d, and %d are stored", added, stored)
	}
}

// TestNothingMounted: what was a mount point in the capture before, and is none now, is
// refused, though there is something in the folder below.
func TestNothingMounted(t *testing.T) {
	b := newBench(t)
	if err := os.Mkdir(b.path("mount"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount(b.path("seedbank"), b.path("mount"), "", unix.MS_BIND, ""); err != nil {
		t.Skip(err) // needs root
	}
	b.must("capture", "--name", "seedbank", b.path("mount"))
	b.must("list", "--json")
	if got := b.stdout.String(); !strings.Contains(got, `"mount-points":"mount"`) {
		t.Error(got)
	}
	if err := unix.Unmount(b.path("mount"), unix.MNT_DETACH); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"1", "2", "3", "4"} {
		if err := os.WriteFile(b.path("mount", name), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if status := b.run(t.Context(), "capture", "--name", "seedbank", b.path("mount")); status != statusFailed || b.stdout.Len() > 0 {
		t.Errorf("status %d", status)
	}
	if got := b.stderr.String(); !strings.Contains(got, "nothing is mounted there now: nothing was captured. --accept-empty takes it as it is") {
		t.Error(got)
	}
	b.must("capture", "--name", "seedbank", "--accept-empty", b.path("mount"))
	b.must("capture", "--name", "seedbank", b.path("mount"))
}

// TestBeforeMounts: what --before mounts is compared with the capture before, and not with
// the empty folder that was there when the service ran.
func TestBeforeMounts(t *testing.T) {
	b := newBench(t)
	mount := b.path("mount")
	if err := os.Mkdir(mount, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount(b.path("seedbank"), mount, "", unix.MS_BIND, ""); err != nil {
		t.Skip(err) // needs root
	}
	if err := unix.Unmount(mount, 0); err != nil {
		t.Fatal(err)
	}
	for began := time.Now(); time.Since(began) < 100*time.Millisecond; { // so that kist trusts times
		runtime.Gosched()
	}
	args := []string{"capture", "--json", "--before", "mount --bind " + b.path("seedbank") + " " + mount, "--after", "umount " + mount, mount}
	b.must(args...)
	b.must(args...)
	if got := b.stdout.String(); !strings.Contains(got, `"members":4,`) || strings.Contains(got, `"taken_over":0,`) {
		t.Error(got)
	}
	if entries, err := os.ReadDir(mount); err != nil || len(entries) > 0 {
		t.Error(entries, err)
	}
}
