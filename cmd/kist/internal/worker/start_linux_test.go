package worker

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// startAll does what a worker of these tests is for, and gives its status.
func startAll(w *Work, do func(*Work, []string) error) int {
	status := 0
	if err := do(w, os.Args[2:]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		status = 1
	}
	w.Done(status)
	return status
}

// workers are what workers of these tests do.
var workers = map[string]func(w *Work, args []string) error{"streams": startStreams, "open": startBesideOpen, "falls": startFalling}

func run(t *testing.T, args ...string) Outcome {
	t.Helper()
	came, err := Run(t.Context(), nil, args)
	if err != nil {
		t.Fatal(err)
	}
	return came
}

// TestStart: a program that another process starts has its streams, folder and variables, and ends as it would by exec.Cmd.
func TestStart(t *testing.T) {
	if came := run(t, "streams"); came.Status != 0 {
		t.Error("it failed, as above")
	}
}

func startStreams(w *Work, _ []string) error {
	for _, c := range []struct {
		script, in, out, err, ended string
		code                        int
	}{
		{"cat; echo more >&2", "seeds", "seeds", "more\n", "", 0},
		{"exit 0", strings.Repeat("seeds", 1<<20), "", "", "", 0}, // it need not read
		{"echo $LOT; pwd; exit 3", "", "7\n/\n", "", "exit status 3", 3},
		{"kill -9 $$", "", "", "", "signal: killed", -1},
		{"sleep 60 & echo $!", "", "*", "", exec.ErrWaitDelay.Error(), 0},
	} {
		var out, said bytes.Buffer
		cmd := exec.Command("sh", "-c", c.script)
		cmd.Stdin, cmd.Stdout, cmd.Stderr, cmd.Dir, cmd.WaitDelay = strings.NewReader(c.in), &out, &said, "/", time.Second
		cmd.Env = append(os.Environ(), "LOT=7")
		cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
		wait, err := w.Start(cmd)
		if err != nil {
			return err
		}
		group := cmd.Process.Pid
		err = wait()
		unix.Kill(-group, unix.SIGKILL)
		ended, code := "", 0
		if err != nil {
			ended = err.Error()
		}
		if exit, ok := errors.AsType[*ExitError](err); ok {
			code = exit.ExitCode()
		}
		if ended != c.ended || code != c.code || c.out != "*" && out.String() != c.out || said.String() != c.err {
			return fmt.Errorf("%s: %q (%d), %q, %q", c.script, ended, code, &out, &said)
		}
	}
	if _, err := w.Start(exec.Command("no-such-program")); !errors.Is(err, exec.ErrNotFound) {
		return fmt.Errorf("a program that is not there: %w", err)
	}
	if _, err := w.Start(exec.Command("/dev/null")); !errors.Is(err, fs.ErrPermission) {
		return fmt.Errorf("what is no program: %w", err)
	}
	return nil
}

// TestStartsWithNothingOpen: a program that the other process starts has nothing to do with a file that the worker has open: a
// share is not asked when that is closed. One that the worker itself starts asks it, and would wait for it.
func TestStartsWithNothingOpen(t *testing.T) {
	dir := countFlushes(t)
	if came := run(t, "open", dir); came.Status != 0 {
		t.Error("it failed, as above")
	}
}

func startBesideOpen(w *Work, args []string) error {
	f, err := os.OpenFile(filepath.Join(args[0], "slab"), os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	flushes := func() int64 {
		info, err := os.Stat(filepath.Join(args[0], "flushes"))
		if err != nil {
			return -1
		}
		return info.Size()
	}
	wait, err := w.Start(exec.Command("true"))
	if err == nil {
		err = wait()
	}
	if n := flushes(); err != nil || n != 0 {
		return fmt.Errorf("%d flushes (%v)", n, err)
	}
	err = exec.Command("true").Run()
	if n := flushes(); err != nil || n == 0 {
		return fmt.Errorf("%d flushes of a program that is started by the worker: does the test see them? (%v)", n, err)
	}
	return nil
}

// TestStartFalls: what is to end with kist does so when the worker ends before it.
func TestStartFalls(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "pipe")
	if err := unix.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	said := make(chan string, 1)
	go func() {
		b, _ := os.ReadFile(pipe) // the program has it open until it ends
		said <- string(b)
	}()
	if came := run(t, "falls", pipe); came.Status != 7 {
		t.Errorf("%v", came)
	}
	if got := <-said; got != "begun\n" {
		t.Errorf("%q", got)
	}
}

func startFalling(w *Work, args []string) error {
	begun := make(writes, 1)
	cmd := exec.Command("sh", "-c", `exec >"$0"; echo begun; echo begun >&2; sleep 60; true`, args[0])
	cmd.Stderr = begun
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: unix.SIGTERM}
	if _, err := w.Start(cmd); err != nil {
		return err
	}
	<-begun
	os.Exit(7)
	return nil
}

// writes gives what is written to it.
type writes chan string

func (w writes) Write(p []byte) (int, error) {
	w <- string(p)
	return len(p), nil
}

// Of the kernel's include/uapi/linux/fuse.h: lengths, and numbers of requests.
const (
	fuseInHeader  = 40
	fuseOutHeader = 16
	fuseLookup    = 1
	fuseForget    = 2
	fuseGetattr   = 3
	fuseOpen      = 14
	fuseRelease   = 18
	fuseFlush     = 25
	fuseInit      = 26
	fuseAttr      = 88
)

// countFlushes mounts a file system with a file slab; the length of a file flushes is how often a file was flushed when it was
// closed.
func countFlushes(t *testing.T) (dir string) {
	t.Helper()
	fd, err := unix.Open("/dev/fuse", unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Skip(err)
	}
	dir = t.TempDir()
	if err := unix.Mount("hazel:/seeds", dir, "fuse", 0, fmt.Sprintf("fd=%d,rootmode=40000,user_id=0,group_id=0", fd)); err != nil {
		unix.Close(fd)
		t.Skip(err) // needs root
	}
	served := make(chan struct{})
	go func() {
		defer close(served)
		serveFlushes(fd)
	}()
	t.Cleanup(func() {
		unix.Unmount(dir, unix.MNT_FORCE|unix.MNT_DETACH)
		<-served
		unix.Close(fd)
	})
	return dir
}

func serveFlushes(fd int) {
	order, flushes := binary.NativeEndian, 0
	attr := func(node uint64) []byte {
		b := make([]byte, fuseAttr)
		order.PutUint64(b, node)
		mode, size := uint32(unix.S_IFREG|0o600), uint64(flushes)
		if node == 1 {
			mode = unix.S_IFDIR | 0o700
		}
		order.PutUint64(b[8:], size)
		order.PutUint32(b[60:], mode)
		order.PutUint32(b[64:], 1) // link
		return b
	}
	for b := make([]byte, 1<<20); ; {
		n, err := unix.Read(fd, b)
		if errors.Is(err, unix.EINTR) {
			continue
		}
		if err != nil || n < fuseInHeader {
			return // unmounted
		}
		var body []byte
		failed := int32(0)
		switch node := order.Uint64(b[16:]); order.Uint32(b[4:]) {
		case fuseInit:
			body = make([]byte, 64)
			order.PutUint32(body, 7)
			order.PutUint32(body[4:], 31)
			order.PutUint32(body[20:], 1<<16) // the most that is written at once
		case fuseLookup:
			body = make([]byte, 40)
			order.PutUint64(body, 2)
			if strings.HasPrefix(string(b[fuseInHeader:n]), "flushes") {
				order.PutUint64(body, 3)
			}
			body = append(body, attr(order.Uint64(body))...)
		case fuseGetattr:
			body = append(make([]byte, 16), attr(node)...)
		case fuseOpen:
			body = make([]byte, 16)
		case fuseFlush:
			flushes++
		case fuseRelease:
		case fuseForget:
			continue // is not answered
		default:
			failed = -int32(unix.ENOSYS)
		}
		out := make([]byte, fuseOutHeader, fuseOutHeader+len(body))
		order.PutUint32(out, uint32(fuseOutHeader+len(body)))
		order.PutUint32(out[4:], uint32(failed))
		copy(out[8:16], b[8:16]) // which request it answers
		unix.Write(fd, append(out, body...))
	}
}
