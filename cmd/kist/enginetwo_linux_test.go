package main

import (
	"strings"
	"testing"
)

// TestTwoContainers captures two containers that write all the time, each of which then
// gets its own data back, and kills kist while both are stopped.
func TestTwoContainers(t *testing.T) {
	m := newMachine(t)
	names := []string{"seedbank", "seedbank-db"}
	last := make(map[string]uint64)
	for _, name := range names {
		m.engine("run", "--detach", "--name", name, "--volume", name+"-data:/data", m.image)
	}
	write := func(name string) {
		live := m.volumeFolder(name + "-data")
		before, _ := serviceIndex(live)
		m.await("records of "+name, func() bool { now, _ := serviceIndex(live); return now > before+500 })
	}
	for _, name := range names {
		write(name)
	}
	id, said := m.mustKist("capture", "--container", names[0], "--container", names[1], "--stop")
	for _, name := range names {
		if !m.running(name) || !strings.Contains(said, "Container "+name+" was down for") {
			t.Fatalf("%s does not run: %s", name, said)
		}
		write(name)
	}
	for _, name := range names {
		m.engine("stop", name)
		m.mustKist("restore", id, "--container", name)
		m.engine("run", "--rm", "--volume", name+"-data:/data", m.image, "check", "/data")
		last[name], _ = serviceIndex(m.volumeFolder(name + "-data"))
		m.engine("start", name)
		write(name)
	}
	if last[names[0]] == 0 || last[names[1]] == 0 {
		t.Errorf("records: %v", last)
	}

	cmd := m.kist("capture", "--container", names[0], "--container", names[1], "--stop", "--after", "true")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	m.await("the end of the second", func() bool { _, clean := serviceIndex(m.volumeFolder(names[1] + "-data")); return clean })
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if cmd.Wait() == nil {
		t.Fatal("it came to its end before it was killed")
	}
	_, said = m.mustKist("resume")
	for _, name := range names {
		if !m.running(name) {
			t.Errorf("%s does not run: %s", name, said)
		}
	}
	if strings.Count(said, "It is started now") != 2 || !strings.Contains(said, "--after is run now: true") {
		t.Error(said)
	}
	m.mustKist("verify", "--full")
}
