package worker

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"runtime"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// asked is a program that a worker wants to have started. With it go its three streams.
type asked struct {
	Path  string         `json:"path"`
	Args  []string       `json:"args"`
	Env   []string       `json:"env,omitempty"`
	Dir   string         `json:"dir,omitempty"`
	Group bool           `json:"group,omitempty"` // it is the first of a process group
	Falls syscall.Signal `json:"falls,omitempty"` // what it gets when either process of kist is killed
}

// begun says that a program was started, or why not.
type begun struct {
	PID  int           `json:"pid,omitempty"`
	Why  string        `json:"why,omitempty"`
	Code syscall.Errno `json:"code,omitempty"` // of Why
}

// over says how a program ended.
type over struct {
	Status syscall.WaitStatus `json:"status"`
}

// Start starts a program as cmd says, by the process that this one works for: a program gets all that the process which
// starts it has open, closes that, and waits for as long as a share takes to answer that. It sets cmd.Process, and gives what
// cmd.Wait would do. Where the other process is gone, this one starts it.
func (w *Work) Start(cmd *exec.Cmd) (wait func() error, err error) {
	if cmd.Err != nil {
		return nil, cmd.Err
	}
	s, err := newStreams(cmd)
	if err != nil {
		return nil, err
	}
	link, err := w.ask(cmd, s)
	if errors.Is(err, unix.EPIPE) || errors.Is(err, unix.ECONNRESET) {
		s.close()
		return cmd.Wait, cmd.Start()
	}
	if err != nil {
		s.close()
		return nil, fmt.Errorf("having %s started: %w", cmd.Path, err)
	}
	answers := json.NewDecoder(link)
	var is begun
	if answers.Decode(&is) != nil { // it went meanwhile
		link.Close()
		s.close()
		return cmd.Wait, cmd.Start()
	}
	switch {
	case is.Code != 0:
		err = &fs.PathError{Op: "fork/exec", Path: cmd.Path, Err: is.Code}
	case is.PID == 0:
		err = errors.New(is.Why)
	default:
		cmd.Process, err = os.FindProcess(is.PID)
	}
	if err != nil {
		link.Close()
		s.close()
		return nil, err
	}
	s.begin()
	return func() error {
		defer link.Close()
		defer cmd.Process.Release()
		var came over
		if err = answers.Decode(&came); err != nil {
			waitGone(is.PID)
			err = fmt.Errorf("%s: how it ended can't be told, for the process that started it is gone: %w", cmd.Path, err)
		} else if came.Status != 0 {
			err = &ExitError{came.Status}
		}
		if late := s.wait(cmd.WaitDelay); err == nil {
			err = late
		}
		return err
	}, nil
}

// ask hands over what is asked for, and gives the connection over which answers come.
func (w *Work) ask(cmd *exec.Cmd, s *streams) (*os.File, error) {
	pair, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	link := os.NewFile(uintptr(pair[0]), "program")
	var rights []int
	for _, f := range s.theirs {
		rights = append(rights, int(f.Fd()))
	}
	err = unix.Sendmsg(w.programs, []byte{0}, unix.UnixRights(append(rights, pair[1])...), nil, unix.MSG_NOSIGNAL)
	unix.Close(pair[1])
	s.given()
	if err == nil {
		a := asked{Path: cmd.Path, Args: cmd.Args, Env: cmd.Env, Dir: cmd.Dir}
		if is := cmd.SysProcAttr; is != nil {
			a.Group, a.Falls = is.Setpgid, is.Pdeathsig
		}
		err = json.NewEncoder(link).Encode(a)
	}
	if err != nil {
		link.Close()
		return nil, err
	}
	return link, nil
}

// waitGone waits for the end of a process that is no child.
func waitGone(pid int) {
	fd, err := unix.PidfdOpen(pid, 0)
	if err != nil {
		return
	}
	defer unix.Close(fd)
	for {
		if _, err := unix.Poll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}, -1); !errors.Is(err, unix.EINTR) {
			return
		}
	}
}

// ExitError says that a program did not end well, as exec.ExitError does.
type ExitError struct{ status syscall.WaitStatus }

func (e *ExitError) Error() string {
	if e.status.Signaled() {
		return "signal: " + e.status.Signal().String()
	}
	return fmt.Sprintf("exit status %d", e.status.ExitStatus())
}

// ExitCode is the exit status, or -1 where a signal ended it.
func (e *ExitError) ExitCode() int { return e.status.ExitStatus() }

// streams are those of a program, and what copies from and to them.
type streams struct {
	theirs [3]*os.File // for the program
	opened []*os.File  // of these, what is closed once it has them
	ours   []*os.File
	copies []func()
	group  sync.WaitGroup
}

func newStreams(cmd *exec.Cmd) (s *streams, err error) {
	s = &streams{}
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	if f, ok := cmd.Stdin.(*os.File); ok {
		s.theirs[0] = f
	} else if cmd.Stdin != nil {
		err = s.pipe(0, func(ours *os.File) { io.Copy(ours, cmd.Stdin) }) // it need not read all
	}
	for i, to := range []io.Writer{cmd.Stdout, cmd.Stderr} {
		if f, ok := to.(*os.File); ok {
			s.theirs[i+1] = f
		} else if i == 1 && to != nil && same(to, cmd.Stdout) {
			s.theirs[2] = s.theirs[1] // one writer is not written to by two at once
		} else if to != nil && err == nil {
			err = s.pipe(i+1, func(ours *os.File) { io.Copy(to, ours) })
		}
	}
	for i, f := range s.theirs {
		if f == nil && err == nil {
			if s.theirs[i], err = os.OpenFile(os.DevNull, os.O_RDWR, 0); err == nil {
				s.opened = append(s.opened, s.theirs[i])
			}
		}
	}
	return s, err
}

// same tells whether two writers are one. Those that can't be compared are not.
func same(a, b io.Writer) bool {
	defer func() { recover() }()
	return a == b
}

// pipe makes one of the streams a pipe.
func (s *streams) pipe(i int, work func(ours *os.File)) error {
	theirs, ours, err := os.Pipe()
	if err != nil {
		return err
	}
	if i > 0 {
		theirs, ours = ours, theirs
	}
	s.theirs[i], s.opened, s.ours = theirs, append(s.opened, theirs), append(s.ours, ours)
	s.copies = append(s.copies, func() {
		defer ours.Close()
		work(ours)
	})
	return nil
}

// given lets go what the program has by now.
func (s *streams) given() {
	for _, f := range s.opened {
		f.Close()
	}
	s.opened = nil
}

func (s *streams) close() {
	s.given()
	for _, f := range s.ours {
		f.Close()
	}
}

func (s *streams) begin() {
	for _, work := range s.copies {
		s.group.Go(work)
	}
}

// wait waits until all is copied, and for the time most at the most; 0: for any. Something else may have a stream open.
func (s *streams) wait(most time.Duration) error {
	done := make(chan struct{})
	go func() {
		defer close(done)
		s.group.Wait()
	}()
	var late <-chan time.Time
	if most > 0 {
		timer := time.NewTimer(most)
		defer timer.Stop()
		late = timer.C
	}
	select {
	case <-done:
		return nil
	case <-late:
	}
	s.close()
	<-done
	return exec.ErrWaitDelay
}

// serve starts programs for a worker until that is gone.
func serve(socket *os.File) {
	defer socket.Close()
	rights := make([]byte, unix.CmsgSpace(4*4))
	for {
		n, size, _, _, err := unix.Recvmsg(int(socket.Fd()), make([]byte, 1), rights, unix.MSG_CMSG_CLOEXEC)
		if errors.Is(err, unix.EINTR) {
			continue
		}
		if err != nil || n == 0 {
			return
		}
		var got []int
		messages, err := unix.ParseSocketControlMessage(rights[:size])
		if err == nil && len(messages) == 1 {
			got, _ = unix.ParseUnixRights(&messages[0])
		}
		var given []*os.File
		for _, fd := range got {
			given = append(given, os.NewFile(uintptr(fd), "given"))
		}
		if len(given) == 4 {
			go startFor(given[3], given[:3])
		}
	}
}

// startFor starts a program for a worker, and tells how it ended.
func startFor(link *os.File, streams []*os.File) {
	defer link.Close()
	var a asked
	if json.NewDecoder(link).Decode(&a) != nil {
		return
	}
	cmd := &exec.Cmd{Path: a.Path, Args: a.Args, Env: a.Env, Dir: a.Dir, Stdin: streams[0], Stdout: streams[1], Stderr: streams[2]}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: a.Group, Pdeathsig: a.Falls}
	ended := make(chan error, 1)
	started := make(chan error, 1)
	go func() {
		if a.Falls != 0 { // it does so with its thread, which ends with this goroutine, and not before
			runtime.LockOSThread()
		}
		err := cmd.Start()
		started <- err
		if err == nil {
			ended <- cmd.Wait()
		}
	}()
	err := <-started
	for _, f := range streams {
		f.Close()
	}
	tell := json.NewEncoder(link)
	if err != nil {
		is := begun{Why: err.Error()}
		errors.As(err, &is.Code)
		tell.Encode(is)
		return
	}
	tell.Encode(begun{PID: cmd.Process.Pid})
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		link.Read(make([]byte, 1)) // the worker says nothing more
	}()
	select {
	case <-ended:
	case <-gone:
		if a.Falls != 0 && a.Group {
			syscall.Kill(-cmd.Process.Pid, a.Falls)
		}
		<-ended
	}
	tell.Encode(over{cmd.ProcessState.Sys().(syscall.WaitStatus)})
}
