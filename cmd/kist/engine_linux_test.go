package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// machine is a container engine, with storage of its own, and a service that
// writes all the time. Tests of machines wait most of their time, and run beside each other.
type machine struct {
	*bench
	image string
	env   []string // of the engine, and of the program
}

// The engine of these tests: Debian's, with runc (apt-get install
// --no-install-recommends podman runc).
const testEngine = "podman"

func newMachine(t *testing.T) *machine {
	t.Helper()
	if testing.Short() {
		t.Skip("the engine takes its time")
	}
	t.Parallel()
	needed := os.Getenv("KIST_TEST_REQUIRE") == "all"
	for _, tool := range []string{testEngine, "runc"} {
		if _, err := exec.LookPath(tool); err != nil {
			if needed {
				t.Fatal(err)
			}
			t.Skip(err)
		}
	}
	if os.Geteuid() != 0 {
		t.Skip("needs root")
	}
	m := &machine{bench: newBench(t), image: "localhost/seedbank:4.1.0"}
	config, err := filepath.Abs("../../testdata/podman")
	if err != nil {
		t.Fatal(err)
	}
	storage := fmt.Sprintf("[storage]\ndriver = \"overlay\"\ngraphroot = %q\nrunroot = %q\n", m.path("graph"), m.path("run"))
	if err := os.WriteFile(m.path("storage.conf"), []byte(storage), 0o600); err != nil {
		t.Fatal(err)
	}
	m.env = append(os.Environ(), "CONTAINERS_CONF="+filepath.Join(config, "containers.conf"), "CONTAINERS_STORAGE_CONF="+m.path("storage.conf"))
	m.buildImage(config)
	t.Cleanup(func() {
		m.engine("rm", "--all", "--force", "--time", "1")
		m.engine("rmi", "--all", "--force")
	})
	return m
}

// buildImage builds the image of the service, from scratch.
func (m *machine) buildImage(config string) {
	m.t.Helper()
	dir := m.path("image")
	cmd := exec.Command("go", "build", "-o", filepath.Join(dir, "seedbank"), filepath.Join(config, "service", "main.go"))
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		m.t.Fatalf("%v: %s", err, out)
	}
	m.engine("build", "--isolation", "chroot", "--tag", m.image, "--file", filepath.Join(config, "Containerfile"), dir)
}

// command gives a command that finds the engine's storage.
func (m *machine) command(name string, args ...string) *exec.Cmd {
	cmd := exec.Command(name, args...)
	cmd.Env = slices.Clone(m.env)
	return cmd
}

func (m *machine) engine(args ...string) string {
	m.t.Helper()
	out, err := m.command(testEngine, args...).CombinedOutput()
	if err != nil {
		m.t.Fatalf("%s %q: %v: %s", testEngine, args, err, out)
	}
	return strings.TrimSpace(string(out))
}

func (m *machine) running(name string) bool {
	m.t.Helper()
	return m.engine("inspect", "--format", "{{.State.Running}}", name) == "true"
}

// volumeFolder gives where a volume lies.
func (m *machine) volumeFolder(name string) string {
	m.t.Helper()
	return m.engine("volume", "inspect", "--format", "{{.Mountpoint}}", name)
}

// await looks again and again until something holds.
func (m *machine) await(what string, holds func() bool) {
	m.t.Helper()
	ctx, cancel := context.WithTimeout(m.t.Context(), time.Minute)
	defer cancel()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			m.t.Fatalf("%s did not come: %s", what, m.engine("logs", "seedbank"))
		}
	}
}

// serviceIndex reads the index of the service in a volume.
func serviceIndex(folder string) (last uint64, clean bool) {
	var index struct {
		Last  uint64
		Clean bool
	}
	b, _ := os.ReadFile(filepath.Join(folder, "index"))
	json.Unmarshal(b, &index)
	return index.Last, index.Clean
}

// kist runs the program as a process.
func (m *machine) kist(args ...string) *exec.Cmd {
	cmd := m.command("kist", args...)
	cmd.Env = append(cmd.Env, "KIST_CACHE=off", "KIST_REPOSITORY="+m.path("repo"), "KIST_KEY_FILE="+m.path("key"), "XDG_STATE_HOME="+m.path("state"))
	return cmd
}

func (m *machine) mustKist(args ...string) (stdout, stderr string) {
	m.t.Helper()
	var out, said bytes.Buffer
	cmd := m.kist(args...)
	cmd.Stdout, cmd.Stderr = &out, &said
	if err := cmd.Run(); err != nil {
		m.t.Fatalf("kist %q: %v: %s", args, err, &said)
	}
	return strings.TrimSpace(out.String()), said.String()
}

// engineRounds is how often what may go wrong now and then is tried; KIST_TEST_ROUNDS
// makes it more.
func engineRounds(t *testing.T) int {
	text := os.Getenv("KIST_TEST_ROUNDS")
	if text == "" {
		return 3
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		t.Fatalf("KIST_TEST_ROUNDS=%s", text)
	}
	return n
}

// TestContainerRounds captures a container that writes all the time, restores
// each capture into a fresh one, and lets the service itself check its data.
func TestContainerRounds(t *testing.T) {
	m := newMachine(t)
	m.engine("run", "--detach", "--name", "seedbank", "--env", "DB_PASSWORD=hush", "--volume", "seeds:/data", m.image)
	live := m.volumeFolder("seeds")
	var before uint64
	for n := range engineRounds(t) {
		m.await("another record", func() bool { last, _ := serviceIndex(live); return last > before+500 })
		id, said := m.mustKist("capture", "--container", "seedbank", "--stop")
		if !m.running("seedbank") {
			t.Fatalf("round %d: the container does not run: %s", n, said)
		}
		fresh := fmt.Sprintf("fresh-%d", n)
		m.engine("create", "--name", fresh, "--volume", fresh+":/data", m.image)
		m.mustKist("restore", id, "--container", fresh)
		last := m.engine("run", "--rm", "--volume", fresh+":/data", m.image, "check", "/data")
		now, err := strconv.ParseUint(last, 10, 64)
		if err != nil || now <= before {
			t.Fatalf("round %d: %q records after %d: %v", n, last, before, err)
		}
		before = now
		m.engine("start", fresh)
		m.await("a record of the restored one", func() bool { last, _ := serviceIndex(m.volumeFolder(fresh)); return last > now })
		m.engine("rm", "--force", "--time", "5", fresh)
		m.engine("volume", "rm", fresh)
		if n == 0 || n == engineRounds(t)-1 {
			t.Logf("round %d: %d records\n%s", n, now, said)
		}
	}
	m.mustKist("verify", "--full")
}

// TestContainerBack goes back to the captured data and image, as after an upgrade
// that failed.
func TestContainerBack(t *testing.T) {
	m := newMachine(t)
	m.engine("run", "--detach", "--name", "seedbank", "--env", "DB_PASSWORD=hush", "--volume", "seeds:/data", "--restart", "always", m.image)
	live := m.volumeFolder("seeds")
	m.await("records", func() bool { last, _ := serviceIndex(live); return last > 500 })
	id, _ := m.mustKist("capture", "--container", "seedbank", "--stop")
	launch, _ := m.mustKist("show", id, "--launch", "--reveal")
	m.await("more records", func() bool { last, _ := serviceIndex(live); return last > 2000 })
	_, said := m.mustKist("restore", id, "--container", "seedbank", "--stop")
	if !m.running("seedbank") || !strings.Contains(said, "is kept as "+live+".before-") {
		t.Fatal(said)
	}
	m.engine("rm", "--force", "--time", "5", "seedbank")
	m.engine("volume", "rm", "seeds")
	// Made again, and its data is back before it starts.
	m.mustKist("restore", id, "--container", "seedbank", "--create")
	if m.running("seedbank") {
		t.Error("it was started")
	}
	if last, err := strconv.ParseUint(m.engine("run", "--rm", "--volume", "seeds:/data", m.image, "check", "/data"), 10, 64); err != nil || last < 500 {
		t.Errorf("%d records are back, %v", last, err)
	}
	m.engine("rm", "seedbank")
	m.engine("volume", "rm", "seeds")
	out, err := m.command("sh", "-c", launch).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v: %s", launch, err, out)
	}
	if !m.running("seedbank") || m.engine("inspect", "--format", "{{.Config.Env}}", "seedbank") == "" {
		t.Error("the container that was made again does not run")
	}
	again, _ := m.mustKist("capture", "--container", "seedbank", "--stop")
	if about, _ := m.mustKist("show", again); !strings.Contains(about, "4.1.0") {
		t.Errorf("its capture does not know the version: %s", about)
	}
	if second, _ := m.mustKist("show", again, "--launch", "--reveal"); second != launch {
		t.Errorf("made again:\n%s\nnot\n%s", second, launch)
	}
	if !strings.Contains(launch, "DB_PASSWORD=hush") || !strings.Contains(launch, "@sha256:") {
		t.Error(launch)
	}
}

// TestContainerKilled kills kist while it keeps the container stopped. The next
// command starts it.
func TestContainerKilled(t *testing.T) {
	m := newMachine(t)
	m.engine("run", "--detach", "--name", "seedbank", "--volume", "seeds:/data", m.image)
	live := m.volumeFolder("seeds")
	for _, wait := range []bool{true, false} { // for the engine to have stopped it
		before, _ := serviceIndex(live)
		m.await("records", func() bool { last, _ := serviceIndex(live); return last > before+500 })
		cmd := m.kist("capture", "--container", "seedbank", "--stop")
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		m.await("the end of the service", func() bool { _, clean := serviceIndex(live); return clean })
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		if err := cmd.Wait(); err == nil || cmd.ProcessState.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
			t.Fatal(cmd.ProcessState)
		}
		if wait {
			m.await("the stop", func() bool { return !m.running("seedbank") })
		}
		stdout, said := m.mustKist("list", "--json")
		if stdout != "[]" || !strings.Contains(said, "container seedbank was stopped at") {
			t.Error(stdout, said)
		}
		if !m.running("seedbank") {
			t.Error("the container was not started again")
		}
		if _, said := m.mustKist("list"); strings.Contains(said, "seedbank") {
			t.Error(said)
		}
	}
}

// TestContainerInterrupted interrupts kist while it keeps the container stopped:
// it starts it before it ends.
func TestContainerInterrupted(t *testing.T) {
	m := newMachine(t)
	m.engine("run", "--detach", "--name", "seedbank", "--volume", "seeds:/data", m.image)
	live := m.volumeFolder("seeds")
	for _, by := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP} {
		if signal.Ignored(by) {
			continue // as under nohup, and so does the program
		}
		// On a busy machine it may come to its end first: then once more.
		status, said := statusDone, ""
		for try := 0; status == statusDone && try < manyTries; try++ {
			status, said = m.interrupt(live, by)
		}
		if status != statusFailed || !m.running("seedbank") {
			t.Errorf("%v: status %d, running %t: %s", by, status, m.running("seedbank"), said)
		}
	}
}

// interrupt sends a signal to a capture once it has stopped the service.
func (m *machine) interrupt(live string, by syscall.Signal) (status int, said string) {
	m.t.Helper()
	before, _ := serviceIndex(live)
	m.await("records", func() bool { last, _ := serviceIndex(live); return last > before+500 })
	cmd := m.kist("capture", "--container", "seedbank", "--stop")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	if err := cmd.Start(); err != nil {
		m.t.Fatal(err)
	}
	m.await("the end of the service", func() bool { _, clean := serviceIndex(live); return clean })
	if err := cmd.Process.Signal(by); err != nil {
		m.t.Fatal(err)
	}
	cmd.Wait()
	return cmd.ProcessState.ExitCode(), stderr.String()
}
