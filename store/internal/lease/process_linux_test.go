package lease

import (
	"os/exec"
	"strings"
	"testing"
)

func TestHasEnded(t *testing.T) {
	if thisProcess() == "" {
		t.Fatal("this process can't be named")
	}
	c := exec.Command("cat")
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	process := processOf(c.Process.Pid)
	if process == "" || hasEnded(process) || hasEnded(thisProcess()) {
		t.Errorf("%q is taken for ended, or has no name", process)
	}
	in.Close()
	if err := c.Wait(); err != nil {
		t.Fatal(err)
	}
	if !hasEnded(process) {
		t.Errorf("%q has ended", process)
	}
	fields := strings.Fields(process)
	for i, other := range []string{"another-boot", "pid:[1]"} {
		changed := append([]string{}, fields...)
		changed[i] = other
		if hasEnded(strings.Join(changed, " ")) {
			t.Errorf("of a process elsewhere nothing is known: %v", changed)
		}
	}
	for _, odd := range []string{"", "x", "a b c d", strings.Join(fields[:3], " ")} {
		if hasEnded(odd) {
			t.Errorf("%q says nothing", odd)
		}
	}
}

func TestParseStat(t *testing.T) {
	// In the form of proc_pid_stat(5); the values are from memory of a usual system.
	state, began, ok := parseStat("42 (a) b) S 1 42 42 0 -1 4194560 1 2 3 4 5 6 7 8 20 0 1 0 9876 0 0")
	if !ok || state != "S" || began != "9876" {
		t.Errorf("%q %q %v", state, began, ok)
	}
	if _, _, ok := parseStat("42 (cut"); ok {
		t.Error("a line that is cut short is taken")
	}
}
