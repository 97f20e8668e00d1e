package worker

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"runtime"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// variable tells a worker whose it is and by what they speak, as "PID:ORDERS:ANSWERS:PROGRAMS": two pipes and a socket, file
// descriptors that are not among those which others may have given the program.
const variable = "KIST_WORKS_FOR"

// leaveTime is how long a worker that told how it ended may take to end.
const leaveTime = time.Second

// interrupt is the one order that there is.
const interrupt = 'i'

// Supported tells whether work can be done so.
func Supported() bool { return true }

// Outcome is how a worker ended.
type Outcome struct {
	Status int
	Left   int // the worker's process, if that was left behind; 0: it ended
	// Forced says that it was to end at once, and did not tell a status. It has let go of all locks.
	Forced bool
}

// Run has a worker do what args ask for. When ctx ends, the worker is interrupted; when something comes from force, it ends
// at once, or as soon as anything can. A worker that a signal ended ends this process by the same.
func Run(ctx context.Context, force <-chan struct{}, args []string) (Outcome, error) {
	var orders, answers [2]int // what is read from, and written to
	err := pipes(&orders, &answers)
	var programs [2]int
	if err == nil {
		programs, err = unix.Socketpair(unix.AF_UNIX, unix.SOCK_SEQPACKET, 0)
	}
	if err != nil {
		return Outcome{}, fmt.Errorf("starting a process for the work: %w", err)
	}
	unix.CloseOnExec(programs[0])
	order, answer := os.NewFile(uintptr(orders[1]), "orders"), os.NewFile(uintptr(answers[0]), "answers")
	defer order.Close()
	defer answer.Close()
	c := exec.Command("/proc/self/exe", args...)
	c.Args[0] = os.Args[0]
	c.Stdin, c.Stdout, c.Stderr = os.Stdin, os.Stdout, os.Stderr
	c.Env = append(os.Environ(), fmt.Sprintf("%s=%d:%d:%d:%d", variable, os.Getpid(), orders[0], answers[1], programs[1]))
	err = c.Start()
	unix.Close(orders[0])
	unix.Close(answers[1])
	unix.Close(programs[1])
	socket := os.NewFile(uintptr(programs[0]), "programs")
	if err != nil {
		socket.Close()
		return Outcome{}, fmt.Errorf("starting a process for the work: %w", err)
	}
	go serve(socket)
	return wait(ctx, force, c, order, answer), nil
}

// pipes makes pipes whose far ends a worker gets under their numbers.
func pipes(orders, answers *[2]int) error {
	for _, p := range []*[2]int{orders, answers} {
		if err := unix.Pipe2(p[:], 0); err != nil {
			return err
		}
	}
	unix.CloseOnExec(orders[1])
	unix.CloseOnExec(answers[0])
	return nil
}

func wait(ctx context.Context, force <-chan struct{}, c *exec.Cmd, order io.WriteCloser, answer io.Reader) Outcome {
	ended, told := make(chan struct{}), make(chan int, 1)
	go func() {
		c.Wait()
		close(ended)
	}()
	go func() {
		var status [1]byte
		if n, _ := answer.Read(status[:]); n == 1 {
			told <- int(status[0])
		}
	}()
	interrupted := ctx.Done()
	for {
		select {
		case <-ended:
			return Outcome{Status: statusOf(c.ProcessState)}
		case status := <-told:
			timer := time.NewTimer(leaveTime)
			defer timer.Stop()
			select {
			case <-ended:
				return Outcome{Status: status}
			case <-timer.C:
				return Outcome{Status: status, Left: c.Process.Pid}
			}
		case <-interrupted:
			interrupted = nil
			order.Write([]byte{interrupt})
		case <-force:
			order.Write([]byte{interrupt})
			order.Close()
			select {
			case <-ended:
				return Outcome{Forced: true}
			case <-time.After(leaveTime): // it has let go by now
			}
			return Outcome{Forced: true, Left: c.Process.Pid}
		}
	}
}

// statusOf gives the exit status of a worker that told none, or ends this process as it ended.
func statusOf(state *os.ProcessState) int {
	if by, ok := state.Sys().(syscall.WaitStatus); ok && by.Signaled() {
		signal.Reset(by.Signal())
		runtime.LockOSThread() // one that is sent to this thread has come when the call returns
		unix.Tgkill(os.Getpid(), unix.Gettid(), by.Signal())
		return 128 + int(by.Signal()) // as shells tell it
	}
	return state.ExitCode()
}

// Work is what a worker has of whom it works for.
type Work struct {
	orders, answers *os.File
	programs        int // the socket by which programs are asked for
}

// Mine tells whether this process is a worker.
func Mine() (*Work, bool) {
	var above, orders, answers, programs int
	n, _ := fmt.Sscanf(os.Getenv(variable), "%d:%d:%d:%d", &above, &orders, &answers, &programs)
	if n != 4 || above != os.Getppid() {
		return nil, false
	}
	os.Unsetenv(variable) // it is nothing for the programs that this one runs
	unix.CloseOnExec(orders)
	unix.CloseOnExec(answers)
	unix.CloseOnExec(programs)
	// Package os makes a process once to see what the system can do: that is no time for it when something is open on a share.
	if self, err := os.FindProcess(os.Getpid()); err == nil {
		self.Release()
	}
	return &Work{os.NewFile(uintptr(orders), "orders"), os.NewFile(uintptr(answers), "answers"), programs}, true
}

// Interruptible gives a context that ends with the first interrupt. Signals may come twice, to this process and to the
// one above, so they only ever count as the first. When the one above is gone after that, so is this one.
func (w *Work) Interruptible() (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(context.Background())
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	if !signal.Ignored(syscall.SIGHUP) { // as under nohup
		signal.Notify(signals, syscall.SIGHUP)
	}
	go func() {
		for range signals {
			cancel()
		}
	}()
	go func() {
		for interrupted := false; ; interrupted = true {
			if n, _ := w.orders.Read(make([]byte, 1)); n == 0 && interrupted {
				unlock() // what is held by a lock is brought to its end by another process
				unix.Kill(os.Getpid(), unix.SIGKILL)
			} else if n == 0 {
				cancel() // it was killed: nobody is there to interrupt a second time
				return
			}
			cancel()
		}
	}()
	return ctx, cancel
}

// Done tells the exit status. The process is to end then.
func (w *Work) Done(status int) {
	unlock()
	w.answers.Write([]byte{byte(status)})
}
