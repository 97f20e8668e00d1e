package programs

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// environs reads environments, hangs for some processes, as what a dead share holds does, and makes up that of others.
type environs struct {
	hang, hasIt int // processes
	variable    string
	over        chan struct{}

	mu   sync.Mutex
	seen []string
}

func (e *environs) read(path string) ([]byte, error) {
	e.mu.Lock()
	e.seen = append(e.seen, path)
	e.mu.Unlock()
	switch path {
	case environOf(e.hang):
		<-e.over
	case environOf(e.hasIt):
		return []byte(e.variable + "\x00"), nil
	}
	return os.ReadFile(path)
}

func environOf(pid int) string { return fmt.Sprintf("/proc/%d/environ", pid) }

// TestEndLeftBesideHung: one that can't be looked at holds nobody up: of another session it is not looked at, and of the same
// one it is named once all that is known to be left was ended.
func TestEndLeftBesideHung(t *testing.T) {
	short(t)
	const own = "KIST_STEP=hung"
	for _, apart := range []bool{false, true} {
		hung, left := sleeping(t, "", apart), sleeping(t, own, false)
		e := &environs{hang: hung.Process.Pid, over: make(chan struct{})}
		defer close(e.over)
		ended := make(chan error, 1)
		go func() { ended <- left.Wait() }()
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		err := newSearch(own, Session(), e.read).end(ctx)
		if apart && err != nil {
			t.Error(err)
		}
		if want := fmt.Sprintf("process %d, which a command may have left", hung.Process.Pid); !apart && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%v", err)
		}
		if err := <-ended; err == nil {
			t.Error("what was left was not ended")
		}
		e.mu.Lock()
		times := len(slices.DeleteFunc(e.seen, func(path string) bool { return path != environOf(e.hang) }))
		e.mu.Unlock()
		if apart && times != 0 || !apart && times != 1 {
			t.Errorf("it was looked at %d times", times)
		}
	}
}

// TestEndLeftHeldBySystem: one that was killed, and is there yet, is not waited for. A process that nobody waits for stands
// for one that a dead share holds.
func TestEndLeftHeldBySystem(t *testing.T) {
	short(t)
	const own = "KIST_STEP=held"
	held := sleeping(t, own, false)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	if err := newSearch(own, Session(), (&environs{hasIt: held.Process.Pid, variable: own}).read).end(ctx); err != nil {
		t.Error(err)
	}
	if state, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", held.Process.Pid)); err != nil || !strings.Contains(string(state), ") Z ") {
		t.Errorf("it was not ended: %s, %v", state, err)
	}
}

// sleeping starts a process, in a session of its own or not, which ends with the test.
func sleeping(t *testing.T, variable string, apart bool) *exec.Cmd {
	t.Helper()
	cmd := exec.Command("sleep", "300")
	cmd.Env = append(os.Environ(), variable)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: apart}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
	})
	return cmd
}
