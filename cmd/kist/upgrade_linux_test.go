package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
)

const newerImage, ruinsImage = "localhost/seedbank:4.2.0", "localhost/seedbank:4.3.0"

// newUpgradeMachine has a service with all that an upgrade must bring over, that runs, and images of
// a newer version and of one that ruins the data.
func newUpgradeMachine(t *testing.T) *machine {
	t.Helper()
	return newRestartedMachine(t, "on-failure:2")
}

// newRestartedMachine has one with a restart policy.
func newRestartedMachine(t *testing.T, policy string) *machine {
	t.Helper()
	m := newMachine(t)
	config, err := filepath.Abs("../../testdata/podman")
	if err != nil {
		t.Fatal(err)
	}
	m.buildVersion(newerImage, "FROM "+m.image+"\nENV EDITION=second\nLABEL org.opencontainers.image.version=4.2.0\n", m.path("image"))
	dir := m.path("ruins")
	cmd := exec.Command("go", "build", "-o", filepath.Join(dir, "ruins"), filepath.Join(config, "ruins", "main.go"))
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	m.buildVersion(ruinsImage, "FROM scratch\nCOPY ruins /ruins\nVOLUME /data\nENTRYPOINT [\"/ruins\"]\nCMD [\"run\", \"/data\"]\n", dir)
	for name, text := range map[string]string{"config/seedbank.toml": "port = 8420\n", "single.toml": "colour = green\n"} {
		if err := os.MkdirAll(filepath.Dir(m.path(name)), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(m.path(name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	m.engine("run", "--detach", "--name", "seedbank", "--env", "DB_PASSWORD=hush", "--env", "EMPTY=", "--label", "shelf=north",
		"--volume", "seeds:/data", "--volume", m.path("config")+":/config:ro", "--volume", m.path("single.toml")+":/etc/single.toml",
		"--restart", policy, "--memory", "100m", "--user", "0:0", "--hostname", "catalogue", "--stop-timeout", "20", m.image)
	m.awaitRecords(500)
	return m
}

func (m *machine) buildVersion(image, text, dir string) {
	m.t.Helper()
	file := filepath.Join(m.t.TempDir(), "Containerfile")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		m.t.Fatal(err)
	}
	m.engine("build", "--isolation", "chroot", "--tag", image, "--file", file, dir)
}

func (m *machine) awaitRecords(n uint64) (last uint64) {
	m.t.Helper()
	live := m.volumeFolder("seeds")
	m.await("records", func() bool { last, _ = serviceIndex(live); return last > n })
	return last
}

// settings gives what an upgrade must bring over.
func (m *machine) settings(name string) string {
	m.t.Helper()
	text := m.engine("inspect", "--format",
		"{{json .HostConfig.RestartPolicy}} {{.HostConfig.Memory}} {{.Config.User}} {{.Config.Hostname}} {{.Config.StopTimeout}} {{json .HostConfig.PortBindings}}", name)
	// The engine gives them in any order.
	var binds []string
	if err := json.Unmarshal([]byte(m.engine("inspect", "--format", "{{json .HostConfig.Binds}}", name)), &binds); err != nil {
		m.t.Fatal(err)
	}
	slices.Sort(binds)
	text += strings.Join(binds, " ")
	for _, want := range []string{"DB_PASSWORD=hush", "EMPTY="} {
		if env := m.engine("inspect", "--format", "{{json .Config.Env}}", name); !strings.Contains(env, `"`+want+`"`) {
			m.t.Errorf("%s is not in %s", want, env)
		}
	}
	if m.engine("inspect", "--format", "{{.Config.Labels.shelf}}", name) != "north" {
		m.t.Error("the label is lost")
	}
	return text
}

// image gives which image a container has.
func (m *machine) imageOf(name string) string {
	m.t.Helper()
	return m.engine("inspect", "--format", "{{.Image}}", name)
}

func (m *machine) imageID(image string) string {
	m.t.Helper()
	return m.engine("inspect", "--type", "image", "--format", "{{.Id}}", image)
}

// mustRunAlone: one container runs, of an image, under the service's name, and adds records after the last.
func (m *machine) mustRunAlone(image string, last uint64) {
	m.t.Helper()
	if got := m.engine("ps", "--format", "{{.Names}}"); got != "seedbank" {
		m.t.Fatalf("%q run, not seedbank alone", got)
	}
	if got := m.imageOf("seedbank"); got != m.imageID(image) {
		m.t.Errorf("image %s runs, not %s", got, image)
	}
	m.awaitRecords(last)
}

// upgradeFails runs an upgrade that must not succeed.
func (m *machine) upgradeFails(args ...string) (said string, o upgrade.Outcome) {
	m.t.Helper()
	cmd := m.kist(append([]string{"upgrade", "--container", "seedbank", "--json"}, args...)...)
	var out, stderr bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &stderr
	err := cmd.Run()
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != statusFailed {
		m.t.Fatalf("%v: %s", err, &stderr)
	}
	if err := json.Unmarshal(out.Bytes(), &o); err != nil {
		m.t.Errorf("%v: %s", err, &out)
	}
	return stderr.String(), o
}

// TestUpgrade upgrades, captures the new version, and goes back.
func TestUpgrade(t *testing.T) {
	m := newUpgradeMachine(t)
	before := m.settings("seedbank")
	last, _ := serviceIndex(m.volumeFolder("seeds"))
	out, said := m.mustKist("upgrade", "--container", "seedbank", "--to", ":4.2.0", "--watch", "1s", "--healthy", `test "$KIST_CONTAINER" = seedbank`)
	t.Logf("%s\n%s", out, said)
	m.mustRunAlone(newerImage, last)
	if after := m.settings("seedbank"); after != before {
		t.Errorf("settings are\n%s, not\n%s", after, before)
	}
	if got := m.engine("inspect", "--format", "{{json .Config.Env}}", "seedbank"); !strings.Contains(got, "EDITION=second") {
		t.Errorf("%s: the new image's own variable is missing", got)
	}
	if got := m.engine("inspect", "--format", "{{.ImageName}}", "seedbank"); !strings.Contains(got, "@sha256:") {
		t.Errorf("the image is not pinned: %s", got)
	}
	m.mustKist("capture", "--container", "seedbank", "--stop")
	if list, _ := m.mustKist("list", "--json"); !strings.Contains(list, `"version":"4.2.0"`) || !strings.Contains(list, `"version":"4.1.0"`) || strings.Contains(list, `"held":true`) {
		t.Error(list)
	}
	if out, _ := m.mustKist("upgrade", "--container", "seedbank", "--to", ":4.2.0"); !strings.Contains(out, "already") {
		t.Error(out)
	}
	newer := m.awaitRecords(last + 1000)
	before410 := m.onlyKept("seedbank-before-", m.image, "undo")
	m.keptStays(before410, "an undo would start it again")
	m.mustKist("kept", "--remove")
	m.mustBeThere(before410, true)
	out, said = m.mustKist("upgrade", "--container", "seedbank", "--undo", "--watch", "1s")
	t.Logf("%s\n%s", out, said)
	m.mustRunAlone(m.image, last)
	if after := m.settings("seedbank"); after != before {
		t.Errorf("settings are\n%s, not\n%s", after, before)
	}
	kept, _ := filepath.Glob(m.volumeFolder("seeds") + ".before-*")
	if len(kept) != 1 {
		t.Fatalf("%q is kept", kept)
	}
	if had, clean := serviceIndex(kept[0]); had < newer || !clean {
		t.Errorf("record %d is the last that is kept, after %d; clean %t", had, newer, clean)
	}
	if !strings.Contains(out, kept[0]) {
		t.Errorf("%s does not say where", out)
	}
	if list, _ := m.mustKist("kept"); !strings.Contains(list, kept[0]) || !strings.Contains(list, m.path("single.toml")+".before-") {
		t.Errorf("%s and single.toml.before-… are not listed: %s", kept[0], list)
	}
	undone := m.onlyKept("seedbank-undone-", newerImage, "-")
	m.mustKist("kept", "--remove")
	if left, _ := filepath.Glob(m.path("single.toml") + ".before-*"); len(left) > 0 {
		t.Errorf("%q is left", left)
	}
	m.mustBeThere(undone, false)
	m.mustBeThere("seedbank", true)
	m.mustKist("upgrade", "--container", "seedbank", "--to", ":4.2.0", "--watch", "1s")
	before410 = m.onlyKept("seedbank-before-", m.image, "undo")
	m.mustKist("kept", "--remove", before410, "--accept-no-undo")
	m.mustBeThere(before410, false)
	if out, err := m.kist("upgrade", "--container", "seedbank", "--undo").CombinedOutput(); err == nil || !strings.Contains(string(out), "is gone") {
		t.Errorf("%v: %s", err, out)
	}
	m.engine("stop", "seedbank")
	m.engine("run", "--rm", "--volume", "seeds:/data", m.image, "check", "/data")
}

// TestUpgradeRuins: a new version that ruins the data and ends leaves the old one on its own.
func TestUpgradeRuins(t *testing.T) {
	m := newUpgradeMachine(t)
	before := m.settings("seedbank")
	last, _ := serviceIndex(m.volumeFolder("seeds"))
	said, o := m.upgradeFails("--to", ruinsImage, "--watch", "20s")
	t.Log(said)
	m.mustRunAlone(m.image, last)
	if after := m.settings("seedbank"); after != before {
		t.Errorf("settings are\n%s, not\n%s", after, before)
	}
	if _, err := os.Stat(filepath.Join(m.volumeFolder("seeds"), "added")); err == nil {
		t.Error("what the new version added is in the volume")
	}
	if o.Outcome != upgrade.WentBack || o.Runs != m.image || !strings.Contains(strings.Join(o.Log, " "), "can't read the catalogue") {
		t.Errorf("%+v", o)
	}
	kept := o.Kept[m.volumeFolder("seeds")]
	if b, err := os.ReadFile(filepath.Join(kept, "added")); err != nil || string(b) != "converted" {
		t.Errorf("%s does not hold the data of the new version: %v", kept, err)
	}
	if b, err := os.ReadFile(m.path("single.toml")); err != nil || string(b) != "colour = green\n" {
		t.Errorf("the single file is %q, %v", b, err)
	}
	for _, want := range []string{"can't read the catalogue", kept, "runs as before", "is kept as " + o.SetAside + ", until kist kept --remove " + o.SetAside} {
		if !strings.Contains(strings.Join(strings.Fields(said), " "), want) {
			t.Errorf("%q is not said: %s", want, said)
		}
	}
	failed := m.onlyKept("seedbank-failed-", ruinsImage, "-")
	m.mustKist("kept", "--remove", failed)
	m.mustBeThere(failed, false)
	m.engine("stop", "seedbank")
	m.engine("run", "--rm", "--volume", "seeds:/data", m.image, "check", "/data")
}

// onlyKept gives the name of the one container that is set aside.
func (m *machine) onlyKept(begins, image, needed string) string {
	m.t.Helper()
	list, _ := m.mustKist("kept")
	found := regexp.MustCompile(`(?m)^.* seedbank +`+regexp.QuoteMeta(image)+` +`+needed+` +(\S+)$`).FindAllStringSubmatch(list, -1)
	if len(found) != 1 || !strings.HasPrefix(found[0][1], begins) {
		m.t.Fatalf("%q in: %s", found, list)
	}
	return found[0][1]
}

// keptStays has a container not be removed.
func (m *machine) keptStays(name, why string) {
	m.t.Helper()
	if out, err := m.kist("kept", "--remove", name).CombinedOutput(); err == nil || !strings.Contains(string(out), why) {
		m.t.Errorf("%v: %s", err, out)
	}
	m.mustBeThere(name, true)
}

func (m *machine) mustBeThere(name string, want bool) {
	m.t.Helper()
	if is := slices.Contains(strings.Fields(m.engine("ps", "--all", "--format", "{{.Names}}")), name); is != want {
		m.t.Errorf("container %s is there: %t", name, is)
	}
}

// TestUpgradeUnchanged: what can't end well is refused before anything is stopped.
func TestUpgradeUnchanged(t *testing.T) {
	m := newUpgradeMachine(t)
	id := m.engine("inspect", "--format", "{{.Id}} {{.State.StartedAt}}", "seedbank")
	for _, args := range [][]string{
		{"--to", ":9.9.9"}, {"--to", ":4.2.0", "--repository", m.path("nosuch")},
	} {
		cmd := m.kist(append([]string{"upgrade", "--container", "seedbank"}, args...)...)
		out, err := cmd.CombinedOutput()
		if err == nil {
			t.Errorf("%q: %s", args, out)
		}
		t.Logf("%q: %s", args, out)
	}
	plan, _ := m.mustKist("upgrade", "--container", "seedbank", "--to", ":4.2.0", "--dry-run")
	t.Log(plan)
	if strings.Contains(plan, "hush") || !strings.Contains(plan, ":/config:ro") {
		t.Error("the plan")
	}
	if got := m.engine("inspect", "--format", "{{.Id}} {{.State.StartedAt}}", "seedbank"); got != id {
		t.Errorf("%s, not %s", got, id)
	}
	if got := m.engine("ps", "--all", "--format", "{{.Names}}"); got != "seedbank" {
		t.Errorf("%q is left", got)
	}
}

// TestUpgradeKilled kills an upgrade ever later. After kist resume one version runs, on its own data.
func TestUpgradeKilled(t *testing.T) {
	m := newUpgradeMachine(t)
	image := m.image
	rounds := 1 + engineRounds(t)
	for n := range rounds {
		to := map[bool]string{true: newerImage, false: ruinsImage}[n%2 == 0]
		if image == newerImage {
			to = ruinsImage
		}
		last, _ := serviceIndex(m.volumeFolder("seeds"))
		cmd := m.kist("upgrade", "--container", "seedbank", "--to", to, "--watch", "500ms")
		var said bytes.Buffer
		cmd.Stderr = &said
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		timer := time.AfterFunc(time.Duration(n+1)*4*time.Second/time.Duration(rounds), func() { cmd.Process.Kill() })
		cmd.Wait()
		timer.Stop()
		_, resumed := m.mustKist("resume")
		if got := m.imageOf("seedbank"); got == m.imageID(newerImage) {
			image = newerImage
		}
		t.Logf("round %d: %s now\n%s%s", n, image, &said, resumed)
		if strings.Contains(said.String(), "would be lost") {
			t.Errorf("round %d did not begin", n)
		}
		m.mustRunAlone(image, last)
		for name := range strings.FieldsSeq(m.engine("ps", "--all", "--format", "{{.Names}}")) {
			if strings.Contains(name, "-next-") {
				t.Errorf("%s is left", name)
			}
		}
	}
	m.engine("stop", "seedbank")
	out := m.engine("run", "--rm", "--volume", "seeds:/data", m.image, "check", "/data")
	if _, err := strconv.Atoi(out); err != nil {
		t.Error(out)
	}
	if left, _ := filepath.Glob(m.path("state", "kist", "upgrade-*")); len(left) > 0 {
		t.Errorf("%q is left", left)
	}
	m.mustKist("verify", "--full")
}
