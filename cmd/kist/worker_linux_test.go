package main

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// deadShare is a file system whose server took each request and never answers: what waits for it is beyond signals.
type deadShare struct {
	dir   string
	asked chan struct{} // one for each request
}

// Of the kernel's include/uapi/linux/fuse.h: lengths of headers, and the request by which a connection begins.
const (
	fuseInHeader  = 40
	fuseOutHeader = 16
	fuseInitOut   = 64
	fuseInit      = 26
)

// newDeadShare mounts one at a folder until the test ends.
func newDeadShare(t *testing.T, dir string) *deadShare {
	t.Helper()
	fd, err := unix.Open("/dev/fuse", unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Skip(err)
	}
	s := &deadShare{dir, make(chan struct{}, 1000)}
	if err := unix.Mount("hazel:/seeds", s.dir, "fuse", 0, fmt.Sprintf("fd=%d,rootmode=40000,user_id=0,group_id=0", fd)); err != nil {
		unix.Close(fd)
		t.Skip(err) // needs root
	}
	served := make(chan struct{})
	go func() {
		defer close(served)
		s.serve(fd)
	}()
	guard := time.AfterFunc(time.Minute, s.revive) // should a test wait for what waits for it
	t.Cleanup(func() {
		guard.Stop()
		s.revive()
		unix.Unmount(s.dir, unix.MNT_DETACH)
		<-served
		unix.Close(fd)
	})
	return s
}

func (s *deadShare) serve(fd int) {
	for b := make([]byte, 1<<20); ; {
		n, err := unix.Read(fd, b)
		if errors.Is(err, unix.EINTR) {
			continue
		}
		if err != nil || n < fuseInHeader {
			return // unmounted
		}
		if binary.NativeEndian.Uint32(b[4:]) != fuseInit {
			s.asked <- struct{}{}
			continue
		}
		out := make([]byte, fuseOutHeader+fuseInitOut)
		binary.NativeEndian.PutUint32(out, uint32(len(out)))
		copy(out[8:16], b[8:16]) // which request it answers
		binary.NativeEndian.PutUint32(out[fuseOutHeader:], 7)
		binary.NativeEndian.PutUint32(out[fuseOutHeader+4:], 31)
		binary.NativeEndian.PutUint32(out[fuseOutHeader+20:], 1<<16) // the most that is written at once
		unix.Write(fd, out)
	}
}

// revive lets all that waits fail, as umount -f does.
func (s *deadShare) revive() { unix.Unmount(s.dir, unix.MNT_FORCE) }

// onDeadShare starts kist with its repository there. until reads what it says until that has a text, and gives all of it.
// Should it not end by itself, it is killed after a minute.
func onDeadShare(t *testing.T, args ...string) (_ *deadShare, _ *exec.Cmd, until func(text string) string) {
	s := newDeadShare(t, t.TempDir())
	c, until := onShare(t, s, t.TempDir(), args...)
	return s, c, until
}

// onShare is onDeadShare for a share that is mounted, and a folder for what else kist needs.
func onShare(t *testing.T, s *deadShare, dir string, args ...string) (_ *exec.Cmd, until func(text string) string) {
	from, to, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { from.Close() })
	defer to.Close()
	c := exec.Command("kist", args...)
	c.Env = shareEnv(s.dir, dir)
	c.Stderr = to
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	guard := time.AfterFunc(time.Minute, func() {
		t.Error("it does not end by itself")
		c.Process.Kill()
	})
	t.Cleanup(func() { guard.Stop() })
	// What is left has the pipe, too: it has no end before the share is back.
	lines, text := bufio.NewScanner(from), ""
	return c, func(what string) string {
		for !strings.Contains(text, what) && lines.Scan() {
			text += lines.Text() + "\n"
		}
		return text
	}
}

// shareEnv is the environment for a repository on a share.
func shareEnv(share, dir string) []string {
	return append(os.Environ(), "KIST_REPOSITORY="+filepath.Join(share, "repo"), "KIST_CONFIG=off", "KIST_KEY_FILE="+filepath.Join(dir, "key"), "XDG_STATE_HOME="+dir, "KIST_STATE="+dir, "KIST_CACHE=off")
}

// adopt makes this process the parent of what its children leave.
func adopt(t *testing.T) {
	if err := unix.Prctl(unix.PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0); err != nil {
		t.Skip(err)
	}
	t.Cleanup(func() { unix.Prctl(unix.PR_SET_CHILD_SUBREAPER, 0, 0, 0, 0) })
}

// TestEndsOnDeadShare: where no signal ends what waits for the share, the run ends all the same, tells which process it leaves
// behind, and that one ends with the share.
func TestEndsOnDeadShare(t *testing.T) {
	adopt(t)
	s, c, until := onDeadShare(t, "list", "--give-up", "1s")
	c.Wait()
	text := until("by force")
	if c.ProcessState.ExitCode() != statusFailed || !strings.Contains(text, "kist: "+filepath.Join(s.dir, "repo")+" (hazel:/seeds, fuse): open: there was no answer in time: is its server up? (it was silent for 1s)") {
		t.Errorf("%s: %s", c.ProcessState, text)
	}
	left := regexp.MustCompile(`process ([0-9]+) waits in the operating system`).FindStringSubmatch(text)
	if left == nil {
		t.Fatalf("%s", text)
	}
	pid, _ := strconv.Atoi(left[1])
	if got, err := unix.Wait4(pid, nil, unix.WNOHANG, nil); got != 0 || err != nil {
		t.Fatalf("process %d ended before (%d, %v): was it beyond signals?", pid, got, err)
	}
	s.revive()
	if got, err := unix.Wait4(pid, nil, 0, nil); got != pid {
		t.Errorf("%d, %v", got, err)
	}
}

// endedAtOnce tells whether a process ended by SIGINT, or, where that was ignored when it began, with the status that shells tell of it.
func endedAtOnce(c *exec.Cmd, ignored bool) bool {
	by := c.ProcessState.Sys().(syscall.WaitStatus)
	if ignored {
		return by.ExitStatus() == 128+int(unix.SIGINT)
	}
	return by.Signaled() && by.Signal() == unix.SIGINT
}

// TestInterruptOnDeadShare: the first interrupt ends it in order, a second one at once; no process is left once the share is back.
// So it is where interrupts are ignored when it begins, as a shell's script has it for what it runs in the background.
func TestInterruptOnDeadShare(t *testing.T) {
	adopt(t)
	if !signal.Ignored(os.Interrupt) {
		t.Run("at first", func(t *testing.T) { testInterrupts(t, false) })
		signal.Ignore(os.Interrupt)
		t.Cleanup(func() { signal.Reset(os.Interrupt) })
	}
	t.Run("ignored before", func(t *testing.T) { testInterrupts(t, true) })
}

func testInterrupts(t *testing.T, ignored bool) {
	for _, interrupts := range []int{1, 2} {
		s, c, until := onDeadShare(t, "list")
		<-s.asked
		c.Process.Signal(unix.SIGINT)
		if until("Interrupt again"); interrupts == 2 {
			c.Process.Signal(unix.SIGINT)
			if said := until("ended at once"); !strings.Contains(said, "ended at once.\n") {
				t.Errorf("%q", said)
			}
		}
		c.Wait()
		if interrupts == 1 && (c.ProcessState.ExitCode() != statusFailed || !strings.Contains(until("kist: "), "kist: interrupted")) || interrupts == 2 && !endedAtOnce(c, ignored) {
			t.Errorf("%d interrupts: %s: %s", interrupts, c.ProcessState, until(""))
		}
		s.revive()
		if got, err := unix.Wait4(-1, nil, 0, nil); got <= 0 {
			t.Errorf("the worker: %d, %v", got, err)
		}
	}
}

// TestKilledBesideWorker: where the process that a person sees is killed, the worker does not go on for ever.
func TestKilledBesideWorker(t *testing.T) {
	adopt(t)
	s, c, _ := onDeadShare(t, "list")
	<-s.asked
	c.Process.Kill()
	c.Wait()
	s.revive()
	if got, err := unix.Wait4(-1, nil, 0, nil); got <= 0 {
		t.Errorf("%d, %v", got, err)
	}
}

// TestLetsGoOnDeadShare: where a run that holds something hangs, and nothing ends it, the second interrupt has that let go by the
// process that does not hang, though the other one is there yet.
func TestLetsGoOnDeadShare(t *testing.T) {
	adopt(t)
	share, dir, volume := t.TempDir(), t.TempDir(), t.TempDir()
	for _, args := range [][]string{{"setup"}, {"capture", "--spool", "--name", "seeds", "--from", "echo"}} {
		c := exec.Command("kist", args...)
		c.Env = shareEnv(share, dir)
		if out, err := c.CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	sheets, held, gate := filepath.Join(volume, "sheets"), filepath.Join(dir, "held"), filepath.Join(dir, "gate")
	if err := errors.Join(os.Mkdir(sheets, 0o700), unix.Mkfifo(gate, 0o600)); err != nil {
		t.Fatal(err)
	}
	// The volume dies once all is held.
	c, until := onShare(t, newDeadShare(t, share), dir, "capture", "--spool-only", "--name", "seeds",
		"--before", "touch "+held+" && cat "+gate, "--after", "rm -f "+held, volume)
	open, err := os.OpenFile(gate, os.O_WRONLY, 0) // by --before
	if err != nil {
		t.Fatal(err)
	}
	dead := newDeadShare(t, sheets)
	open.Close()
	<-dead.asked // from here on nothing ends who did
	if _, err := os.Stat(held); err != nil {
		t.Error(err)
	}
	c.Process.Signal(unix.SIGINT)
	until("Interrupt again")
	c.Process.Signal(unix.SIGINT)
	said := until("waits in the operating system")
	c.Wait()
	if !endedAtOnce(c, signal.Ignored(os.Interrupt)) || !strings.Contains(said, "--after is run now") || !strings.Contains(said, "ended at once.\n") {
		t.Errorf("%s: %s", c.ProcessState, said)
	}
	if _, err := os.Stat(held); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("it is held yet: %v", err)
	}
	dead.revive()
	for {
		if _, err := unix.Wait4(-1, nil, 0, nil); err != nil && !errors.Is(err, unix.EINTR) {
			break // none is left
		}
	}
}
