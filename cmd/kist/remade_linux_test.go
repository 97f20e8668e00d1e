package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
)

// commands runs the machine's engine for package engine.
type commands struct{ m *machine }

// Run implements engine.Runner.
func (r commands) Run(_ context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	cmd := r.m.command(testEngine, args...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = stdin, stdout, stderr
	return cmd.Run()
}

// TestRemadeByEngine: what was chosen of mounts, networks, annotations and logs comes over, as the engine itself tells.
func TestRemadeByEngine(t *testing.T) {
	m := newMachine(t)
	config, err := os.ReadFile(filepath.Join("..", "..", "testdata", "podman", "containers.conf"))
	if err != nil {
		t.Fatal(err)
	}
	own := string(config) + fmt.Sprintf("\n[network]\nnetwork_config_dir = %q\n", m.path("networks"))
	if err := os.WriteFile(m.path("containers.conf"), []byte(own), 0o600); err != nil {
		t.Fatal(err)
	}
	m.env = append(m.env, "CONTAINERS_CONF="+m.path("containers.conf"))
	m.engine("network", "create", "--subnet", "10.89.77.0/24", "shelves")
	m.engine("network", "create", "--subnet", "10.89.78.0/24", "back")
	for name, flags := range map[string]string{
		"one": "--volume seeds:/data:noexec,nosuid,rslave --network shelves --network-alias catalogue --ip 10.89.77.7 --mac-address 92:d0:c6:0a:29:33 " +
			"--annotation note=kept --log-driver k8s-file --log-opt max-size=10mb --cap-add NET_ADMIN --tmpfs /tmp:size=1m --hostname shelf",
		"several": "--network shelves:alias=catalogue,ip=10.89.77.7,mac=92:d0:c6:0a:29:33 --network back --volume " + m.path("image") + ":/image:ro,slave",
	} {
		t.Run(name, func(t *testing.T) {
			m.engine(append(append([]string{"create", "--name", name}, strings.Fields(flags)...), m.image)...)
			e := engine.NewWith(testEngine, commands{m})
			image, err := e.Image(t.Context(), m.image)
			if err != nil {
				t.Fatal(err)
			}
			was := name
			for range 2 { // what was made so is made once more
				old, err := e.Inspect(t.Context(), was)
				if err != nil {
					t.Fatal(err)
				}
				words := engine.NewLaunch(old, image).Remake(was+"-again", m.image, image, "kist.upgrade="+old.ID)
				if _, err := e.Create(t.Context(), words); err != nil {
					t.Fatalf("%q: %v", words, err)
				}
				made, err := e.Inspect(t.Context(), was+"-again")
				if err != nil {
					t.Fatal(err)
				}
				if lost := engine.Differences(old, made, image); len(lost) > 0 {
					t.Errorf("%q: %q", words, lost)
				}
				was += "-again"
			}
			m.mustHave(name, was)
		})
	}
}

// mustHave sees that a container has what another was made with, not by what kist reads of both.
func (m *machine) mustHave(old, made string) {
	m.t.Helper()
	for _, format := range []string{
		"{{json .HostConfig.Tmpfs}}", "{{.HostConfig.LogConfig.Size}}", "{{.EffectiveCaps}}", "{{.Config.Annotations.note}}",
	} {
		if was, is := m.engine("inspect", "--format", format, old), m.engine("inspect", "--format", format, made); was != is {
			m.t.Errorf("%s: %s, not %s", format, is, was)
		}
	}
	if was, is := m.mounts(old), m.mounts(made); was != is {
		m.t.Errorf("mounts are %s, not %s", is, was)
	}
	var all []struct {
		Config          struct{ CreateCommand []string }
		NetworkSettings struct {
			Networks map[string]struct{ Aliases []string }
		}
	}
	if err := json.Unmarshal([]byte(m.engine("inspect", made)), &all); err != nil {
		m.t.Fatal(err)
	}
	if aliases := all[0].NetworkSettings.Networks["shelves"].Aliases; len(aliases) != 2 || aliases[0] != "catalogue" { // and one of the id
		m.t.Errorf("it is known as %q", aliases)
	}
	for _, want := range []string{"10.89.77.7", "92:d0:c6:0a:29:33"} { // nothing else tells of both
		if !strings.Contains(strings.Join(all[0].Config.CreateCommand, " "), want) {
			m.t.Errorf("%q has no %s", all[0].Config.CreateCommand, want)
		}
	}
}

// mounts gives a container's, as the engine tells but for the order of options, which is any.
func (m *machine) mounts(name string) string {
	m.t.Helper()
	var all []map[string]any
	if err := json.Unmarshal([]byte(m.engine("inspect", "--format", "{{json .Mounts}}", name)), &all); err != nil {
		m.t.Fatal(err)
	}
	var texts []string
	for _, one := range all {
		options, _ := one["Options"].([]any)
		slices.SortFunc(options, func(a, b any) int { return strings.Compare(a.(string), b.(string)) })
		texts = append(texts, fmt.Sprint(one))
	}
	slices.Sort(texts)
	return strings.Join(texts, "\n")
}
