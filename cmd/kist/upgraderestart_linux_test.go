package main

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
)

// TestUpgradeRestarted: whatever restart policy a service has, a version that fails is not started again beside the old one, and
// what is set aside is not started when the machine starts. With KIST_TEST_ROUNDS it takes minutes more, for one that is
// started again always.
func TestUpgradeRestarted(t *testing.T) {
	policies := []string{"on-failure"}
	if os.Getenv("KIST_TEST_ROUNDS") != "" {
		policies = append(policies, "always")
	}
	for _, policy := range policies {
		t.Run(policy, func(t *testing.T) {
			m := newRestartedMachine(t, policy)
			before := m.settings("seedbank")
			last, _ := serviceIndex(m.volumeFolder("seeds"))
			said, o := m.upgradeFails("--to", ruinsImage, "--watch", "3s", "--healthy", "true")
			if o.Outcome != upgrade.WentBack {
				t.Fatalf("%+v\n%s", o, said)
			}
			m.mustRunAlone(m.image, last)
			m.mustStayDown(o.SetAside)
			if got := m.engine("inspect", "--format", "{{.RestartCount}}", o.SetAside); got != "0" {
				t.Errorf("what failed was started again %s times", got)
			}

			out, said := m.mustKist("upgrade", "--container", "seedbank", "--to", ":4.2.0", "--watch", "1s")
			t.Logf("%s\n%s", out, said)
			m.mustRunAlone(newerImage, last)
			if after := m.settings("seedbank"); after != before {
				t.Errorf("settings are\n%s, not\n%s", after, before)
			}
			for name := range strings.FieldsSeq(m.engine("ps", "--all", "--filter", "restart-policy=always", "--format", "{{.Names}}")) {
				if name != "seedbank" { // as Debian's podman-restart.service chooses what to start
					t.Errorf("%s is started when the machine starts", name)
				}
			}

			if policy != "always" { // the rest takes minutes
				return
			}
			// The new version does not come up any more, and is started again and again.
			pid, err := strconv.Atoi(m.engine("inspect", "--format", "{{.State.Pid}}", "seedbank"))
			if err != nil || pid < 2 {
				t.Fatal(pid, err)
			}
			if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
				t.Fatal(err)
			}
			m.await("restarts", func() bool {
				if err := os.WriteFile(filepath.Join(m.volumeFolder("seeds"), "index"), []byte("broken"), 0o600); err != nil {
					t.Fatal(err)
				}
				n, _ := strconv.Atoi(m.engine("inspect", "--format", "{{.RestartCount}}", "seedbank"))
				return n > 0
			})
			out, said = m.mustKist("upgrade", "--container", "seedbank", "--undo", "--watch", "1s")
			t.Logf("%s\n%s", out, said)
			m.mustRunAlone(m.image, last)
			if after := m.settings("seedbank"); after != before {
				t.Errorf("settings are\n%s, not\n%s", after, before)
			}
			for name := range strings.FieldsSeq(m.engine("ps", "--all", "--format", "{{.Names}}")) {
				if name != "seedbank" {
					m.mustStayDown(name)
				}
			}
			m.engine("stop", "seedbank")
			m.engine("run", "--rm", "--volume", "seeds:/data", m.image, "check", "/data")
			if left := m.names("--filter", "name=again"); left != "" {
				t.Errorf("%s is left", left)
			}
		})
	}
}

func (m *machine) names(filter ...string) string {
	m.t.Helper()
	return m.engine(append([]string{"ps", "--all", "--format", "{{.Names}}"}, filter...)...)
}

// mustStayDown sees, while the service goes on writing, that a container is not started.
func (m *machine) mustStayDown(name string) {
	m.t.Helper()
	state := func() string {
		return m.engine("inspect", "--format", "{{.State.Running}} {{.State.StartedAt}} {{.RestartCount}}", name)
	}
	first := state()
	if !strings.HasPrefix(first, "false") {
		m.t.Errorf("%s runs: %s", name, first)
	}
	last, _ := serviceIndex(m.volumeFolder("seeds"))
	for range 5 {
		last = m.awaitRecords(last + 1000)
		if now := state(); now != first {
			m.t.Errorf("%s: %s, then %s", name, first, now)
		}
	}
}
