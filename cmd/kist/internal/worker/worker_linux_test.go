package worker

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"syscall"
	"testing"
	"time"
)

// TestMain is what a worker does, and the one above it, where this program is started as such.
func TestMain(m *testing.M) {
	if work, ok := Mine(); ok {
		if do := workers[os.Args[1]]; do != nil {
			os.Exit(startAll(work, do))
		}
		os.Exit(doWork(work, os.Args[1]))
	}
	if len(os.Args) == 3 && os.Args[1] == "above" {
		ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
		defer stop()
		came, err := Run(ctx, nil, os.Args[2:])
		if err != nil {
			came.Status = failed
		}
		os.Exit(came.Status)
	}
	os.Exit(m.Run())
}

// failed is the status of what should not happen.
const failed = 99

func doWork(work *Work, how string) int {
	ctx, stop := work.Interruptible()
	defer stop()
	switch how {
	case "tell":
		work.Done(7)
		return 7
	case "tell and stay":
		work.Done(6)
		select {}
	case "end":
		return 5
	case "wait":
		<-ctx.Done()
		work.Done(4)
		return 4
	case "wait and say":
		fmt.Println("begun")
		<-ctx.Done()
		return 4
	case "go on":
		fmt.Println("begun")
		<-ctx.Done()
		fmt.Println("interrupted")
		select {}
	case "pipes":
		return ends(work.orders) + ends(work.answers)
	case "what it runs": // has neither the variable nor the pipes
		look := fmt.Sprintf("test -z \"$%s\" && ! test -e /proc/self/fd/%d && ! test -e /proc/self/fd/%d", variable, work.orders.Fd(), work.answers.Fd())
		if exec.Command("sh", "-c", look).Run() != nil {
			return failed
		}
		return 3
	case "terminated":
		return killed(syscall.SIGTERM)
	case "killed":
		return killed(syscall.SIGKILL)
	}
	return failed
}

// killed ends this process by a signal that it does not catch.
func killed(by syscall.Signal) int {
	signal.Reset(by)
	syscall.Kill(os.Getpid(), by)
	select {}
}

// TestWorker: what a worker tells counts, and where it told nothing, how it ended; one that told, and does not end, is left behind; an
// interrupt reaches it.
func TestWorker(t *testing.T) {
	for _, c := range []struct {
		how       string
		interrupt bool
		status    int
		left      bool
	}{
		{how: "tell", status: 7},
		{how: "tell and stay", status: 6, left: true},
		{how: "end", status: 5},
		{how: "wait", interrupt: true, status: 4},
		{how: "what it runs", status: 3},
		{how: "pipes", status: 2},
	} {
		t.Run(c.how, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			if c.interrupt {
				cancel()
			}
			came, err := Run(ctx, nil, []string{c.how})
			if err != nil || came.Status != c.status || (came.Left > 0) != c.left {
				t.Errorf("%+v, %v", came, err)
			}
			if came.Left > 0 {
				if err := syscall.Kill(came.Left, syscall.SIGKILL); err != nil {
					t.Errorf("process %d was not left: %v", came.Left, err)
				}
			}
		})
	}
}

// TestWorkerEndedBySignal: what a signal ended ends the one above by the same, as who waits for that would see it.
func TestWorkerEndedBySignal(t *testing.T) {
	for how, by := range map[string]syscall.Signal{"killed": syscall.SIGKILL, "terminated": syscall.SIGTERM} {
		cmd := exec.Command("/proc/self/exe", "above", how)
		time.AfterFunc(time.Minute, func() { cmd.Process.Kill() })
		var exit *exec.ExitError
		if err := cmd.Run(); !errors.As(err, &exit) {
			t.Errorf("%s: %v", how, err)
		} else if is := exit.Sys().(syscall.WaitStatus); !is.Signaled() || is.Signal() != by {
			t.Errorf("%s: %v", how, exit)
		}
	}
}

// TestNobodysWorker: what was started by another one than the variable says works for nobody.
func TestNobodysWorker(t *testing.T) {
	for _, said := range []string{"", fmt.Sprintf("%d:3:4", os.Getpid()), "1", fmt.Sprintf("%d:3", os.Getppid()), "a:b:c"} {
		t.Setenv(variable, said)
		if work, ok := Mine(); ok || work != nil {
			t.Errorf("%q makes it a worker", said)
		}
	}
}

// ends counts the descriptors by which this process has a pipe.
func ends(pipe *os.File) (n int) {
	its, _ := pipe.Stat()
	all, _ := os.ReadDir("/proc/self/fd")
	for _, one := range all {
		if is, err := os.Stat("/proc/self/fd/" + one.Name()); err == nil && os.SameFile(is, its) {
			n++
		}
	}
	return n
}

// TestAboveIsKilled: where the one above is killed, the worker is interrupted, and where it was so before, it is killed, too.
func TestAboveIsKilled(t *testing.T) {
	for how, interrupted := range map[string]bool{"wait and say": false, "go on": true} {
		cmd := exec.Command("/proc/self/exe", "above", how)
		from, to, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		defer from.Close()
		cmd.Stdout = to
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		to.Close()
		from.SetDeadline(time.Now().Add(20 * time.Second))
		said := bufio.NewReader(from) // which ends with the last process that has it
		if line, err := said.ReadString('\n'); line != "begun\n" {
			t.Fatal(line, err)
		}
		if interrupted {
			cmd.Process.Signal(syscall.SIGTERM)
			if line, err := said.ReadString('\n'); line != "interrupted\n" {
				t.Errorf("%q, %v", line, err)
			}
		}
		cmd.Process.Kill()
		cmd.Wait()
		if rest, err := io.ReadAll(said); err != nil || len(rest) > 0 {
			t.Errorf("%s: the worker goes on: %q, %v", how, rest, err)
		}
	}
}
