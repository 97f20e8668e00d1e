package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// mustBeClear: nothing is left of a rehearsal, and the service runs on.
func (m *machine) mustBeClear() {
	m.t.Helper()
	if got := m.engine("ps", "--all", "--format", "{{.Names}}"); got != "seedbank" {
		m.t.Errorf("containers: %q", got)
	}
	if !m.running("seedbank") {
		m.t.Error("seedbank does not run")
	}
	if got := m.engine("volume", "ls", "--format", "{{.Name}}"); got != "seeds" {
		m.t.Errorf("volumes: %q", got)
	}
	for _, pattern := range []string{"scratch/*", "state/kist/rehearsal-*"} {
		if left, _ := filepath.Glob(m.path(pattern)); len(left) > 0 {
			m.t.Errorf("%q is left", left)
		}
	}
}

func (m *machine) rehearsed(id string) *store.Rehearsal {
	m.t.Helper()
	out, _ := m.mustKist("show", id, "--json")
	var shown struct{ Rehearsed *rehearsalShown }
	if err := json.Unmarshal([]byte(out), &shown); err != nil {
		m.t.Fatal(err)
	}
	if shown.Rehearsed == nil {
		return nil
	}
	r := shown.Rehearsed
	return &store.Rehearsal{Outcome: store.RehearsalOutcome(r.Outcome), Fault: r.Fault, Checked: r.Checked}
}

type rehearsalShown struct {
	Outcome, Fault string
	Checked        []string
}

// newRehearsalMachine has a service that was captured, and runs.
func newRehearsalMachine(t *testing.T) (m *machine, id string) {
	m = newUpgradeMachine(t)
	if err := os.Mkdir(m.path("scratch"), 0o700); err != nil {
		t.Fatal(err)
	}
	m.env = append(m.env, "TMPDIR="+m.path("scratch"))
	id, _ = m.mustKist("capture", "--container", "seedbank", "--stop")
	return m, id
}

// TestRehearse rehearses the capture of a service that runs meanwhile, and one of an image that does not come up.
func TestRehearse(t *testing.T) {
	m, id := newRehearsalMachine(t)
	out, said := m.mustKist("rehearse", id, "--watch", "2s", "--lend", "/config", "--healthy",
		"test $(podman ps --format '{{.Names}}' | wc -l) = 2 && podman inspect --format '{{.HostConfig.NetworkMode}} {{.HostConfig.RestartPolicy.Name}} {{json .HostConfig.PortBindings}} {{json .Config.Labels}} {{json .HostConfig.Binds}}' $KIST_CONTAINER >>"+m.path("asked"))
	t.Logf("%s\n%s", out, said)
	asked, err := os.ReadFile(m.path("asked"))
	if err != nil || !strings.HasPrefix(string(asked), "none no {} ") || strings.Contains(string(asked), "shelf") || !strings.Contains(string(asked), m.path("config")+":/config:ro") {
		t.Errorf("%s, %v", asked, err)
	}
	if strings.Contains(string(asked), m.volumeFolder("seeds")) || strings.Contains(string(asked), m.path("single.toml")+":") {
		t.Errorf("it has what is live: %s", asked)
	}
	m.mustBeClear()
	if r := m.rehearsed(id); r == nil || r.Outcome != store.RehearsedUp || len(r.Checked) != 2 {
		t.Errorf("%+v", r)
	}
	if list, _ := m.mustKist("list"); !strings.Contains(list, " up") {
		t.Error(list)
	}

	// The same capture, if the image that it is of can't read the data.
	m.engine("stop", "seedbank")
	m.engine("rename", "seedbank", "first")
	m.engine("run", "--detach", "--name", "seedbank", "--volume", "seeds:/data", ruinsImage)
	m.mustKist("capture", "--container", "seedbank", "--live", "--name", "ruins")
	m.engine("rm", "--force", "seedbank")
	m.engine("rename", "first", "seedbank")
	cmd := m.kist("rehearse", "ruins@latest", "--watch", "20s")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	var exit *exec.ExitError
	if err := cmd.Run(); !errors.As(err, &exit) || exit.ExitCode() != statusDamage {
		t.Errorf("%v", err)
	}
	t.Log(&stderr)
	if !strings.Contains(stderr.String(), "IT DID NOT COME UP") || !strings.Contains(stderr.String(), "can't read the catalogue") {
		t.Errorf("%s", &stderr)
	}
	if r := m.rehearsed("ruins@latest"); r == nil || r.Outcome != store.RehearsedDown || !strings.Contains(r.Fault, "exit status 3") {
		t.Errorf("%+v", r)
	}
}

// TestRehearseKilled kills rehearsals ever later. After kist resume nothing is left of them.
func TestRehearseKilled(t *testing.T) {
	m, id := newRehearsalMachine(t)
	rounds := 4 * engineRounds(t)
	for n := range rounds {
		cmd := m.kist("rehearse", id, "--watch", "1s")
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		timer := time.AfterFunc(time.Duration(n+1)*3*time.Second/time.Duration(rounds), func() { cmd.Process.Kill() })
		cmd.Wait()
		timer.Stop()
		_, said := m.mustKist("resume")
		notes, _ := filepath.Glob(m.path("state/kist/rehearsal-*"))
		for _, note := range notes { // killed while the engine made a container: it may be there only now
			m.await("the end of the engine's command", func() bool {
				return exec.Command("pgrep", "--full", "podman create.*"+m.path("scratch")).Run() != nil
			})
			if err := os.Chtimes(note, time.Unix(1, 0), time.Unix(1, 0)); err != nil {
				t.Fatal(err)
			}
			_, again := m.mustKist("resume")
			said += again
		}
		t.Logf("round %d: %d notes stayed; %s", n, len(notes), said)
		m.mustBeClear()
	}
	m.mustKist("rehearse", id, "--watch", "0")
	m.mustKist("verify", "--full")
}
