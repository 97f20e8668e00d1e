package main

import (
	"os"
	"strings"
	"testing"
)

// TestUpgradeNeeded: a service with containers that share its network, or are bound to it otherwise, is upgraded only when told
// to; then, though the engine refuses to remove what they depend on, exactly one version runs. What itself requires another
// container, or is in a pod, is not taken out of that without a word. With KIST_TEST_ROUNDS: it takes half a minute.
func TestUpgradeNeeded(t *testing.T) {
	if os.Getenv("KIST_TEST_ROUNDS") == "" {
		t.Skip("a long run: KIST_TEST_ROUNDS=1")
	}
	m := newRestartedMachine(t, "always")
	last, _ := serviceIndex(m.volumeFolder("seeds"))
	m.engine("create", "--name", "proxy", "--network", "container:seedbank", m.image)
	refused, err := m.kist("upgrade", "--container", "seedbank", "--to", ":4.2.0", "--watch", "1s").CombinedOutput()
	if err == nil || !strings.Contains(string(refused), "container proxy depends on seedbank") {
		t.Errorf("%v: %s", err, refused)
	}
	m.mustRunAlone(m.image, last)
	_, said := m.mustKist("upgrade", "--container", "seedbank", "--to", ":4.2.0", "--watch", "1s", "--accept-dependents")
	if !strings.Contains(said, "WHEN THIS MACHINE STARTS") {
		t.Error(said)
	}
	m.mustRunAlone(newerImage, last)
	m.engine("create", "--name", "second", "--requires", "seedbank", m.image)
	_, said = m.mustKist("upgrade", "--container", "seedbank", "--undo", "--watch", "1s", "--accept-dependents")
	m.mustRunAlone(m.image, last)
	if left := m.names("--filter", "name=again"); left != "" {
		t.Errorf("%s is left: %s", left, said)
	}

	m.engine("rm", "--force", "proxy", "second")
	m.engine("pod", "create", "--name", "bed", "--infra=false")
	m.engine("create", "--name", "other", "--pod", "bed", m.image)
	m.engine("run", "--detach", "--name", "tied", "--pod", "bed", "--requires", "other", m.image)
	refused, err = m.kist("upgrade", "--container", "tied", "--to", ":4.2.0", "--watch", "1s").CombinedOutput()
	for _, want := range []string{"its place in pod ", "that it requires container ", "--accept-lost-settings"} {
		if err == nil || !strings.Contains(string(refused), want) {
			t.Errorf("%q is not in %s", want, refused)
		}
	}
	m.engine("rm", "--force", "--time", "1", "tied") // the engine removes no others before
}
