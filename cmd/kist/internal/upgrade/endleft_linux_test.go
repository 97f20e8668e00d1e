package upgrade

import (
	"bufio"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/programs"
)

// TestCommandThatGoesOn: what a --down or --up goes on doing, after kist was killed, is ended before recovery runs another
// one, by what the journal knows of it.
func TestCommandThatGoesOn(t *testing.T) {
	m := newMachine(t)
	dir, seen := filepath.Join(t.TempDir(), "state"), filepath.Join(t.TempDir(), "seen")
	cmd := exec.Command("sh", "-c", "echo begun; sleep 300; echo late >>"+seen)
	cmd.Env = append(os.Environ(), tokenVariable+"=abc")
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	if line, err := bufio.NewReader(out).ReadString('\n'); err != nil || line != "begun\n" {
		t.Fatal(line, err)
	}
	m.captures["k7f3"], m.data = oldData, newData
	j, err := begin(dir, Record{
		Step: Starting, Container: "seedbank", Old: keyOf("seedbank"), New: keyOf("seedbank"), OldImage: "4.1.0", Image: "4.2.0", Touched: true,
		Capture: "k7f3", Repository: "/mnt/share/kist", Healthy: "true", Token: "abc", Session: programs.Session(),
		Down: "echo down >>" + seen, Up: "echo up $KIST_VERSION >>" + seen,
	})
	if err != nil {
		t.Fatal(err)
	}
	j.release()
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	u, said := m.upgrader(dir)
	if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil {
		t.Errorf("%v, %s", err, said)
	}
	var exit *exec.ExitError
	if err := <-ended; !errors.As(err, &exit) || exit.Sys().(syscall.WaitStatus).Signal() != syscall.SIGTERM {
		t.Errorf("it was not ended: %v", err)
	}
	if b, err := os.ReadFile(seen); err != nil || string(b) != "down\nup 4.1.0\n" {
		t.Errorf("%q, %v", b, err)
	}
}

// TestTokenIsNotedFirst: the journal knows how to find what a command starts before it is run, and forgets it then.
func TestTokenIsNotedFirst(t *testing.T) {
	dir, seen := filepath.Join(t.TempDir(), "state"), filepath.Join(t.TempDir(), "seen")
	m := newMachine(t)
	m.containers = nil
	u, _ := m.upgrader(dir)
	q := &ByCommands{
		Name: "seedbank", From: "4.1.0", To: "4.2.0", Places: []string{"/data"}, Healthy: "true", Down: "true",
		Up: "cp '" + journalPath(dir, keyOf("seedbank")) + "' '" + seen + "'; echo $KIST_STEP >" + seen + ".token",
	}
	if _, err := u.UpgradeByCommands(t.Context(), q, fakeData{m}); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(seen)
	if err != nil {
		t.Fatal(err)
	}
	token, _ := os.ReadFile(seen + ".token")
	if j, err := lastLine(text); err != nil || j.Token == "" || j.Token != strings.TrimSpace(string(token)) || j.Session != programs.Session() {
		t.Errorf("%v; token %q and %q, session %d", err, j.Token, token, j.Session)
	}
	done, err := u.MadeByCommands("seedbank")
	if err != nil || done.Token != "" {
		t.Errorf("%v; token %q is left", err, done.Token)
	}
}
