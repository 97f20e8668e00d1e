package programs

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"golang.org/x/sys/unix"
)

// Session gives that of this process, for EndLeft.
func Session() int {
	id, err := unix.Getsid(0)
	if err != nil {
		return 0
	}
	return id
}

// lookTime is how long one process may take to be looked at, or to be gone once it was killed. What is in the middle of
// execve(2), or of a call off a share that does not answer, may take as long as that share.
var lookTime = time.Second

// EndLeft ends what a command left that an earlier process ran, itself among it: all processes of a session that
// have a variable, NAME=VALUE, in their environment (proc_pid_environ(5)). What made itself a session of its own, as
// services do, goes on. It returns once they have ended; what does not within 10 s of being told is killed. One that was
// killed, and that the operating system does not let go, does nothing more, and is not waited for. One of the session
// that can't be looked at is an error, when all others have ended: it may be one of them.
func EndLeft(ctx context.Context, variable string, session int) error {
	return newSearch(variable, session, os.ReadFile).end(ctx)
}

// search finds processes, and ends them.
type search struct {
	variable string
	session  int
	read     func(path string) ([]byte, error) // may hang
	looks    map[int]chan bool                 // that have begun, by process
	told     map[int]bool
}

func newSearch(variable string, session int, read func(string) ([]byte, error)) *search {
	return &search{variable, session, read, make(map[int]chan bool), make(map[int]bool)}
}

func (s *search) end(ctx context.Context) error {
	deadline, over := time.After(outlive), time.After(outlive+lookTime)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for kill := false; ; {
		left, unsure := s.left()
		if len(left) == 0 && len(unsure) > 0 {
			return fmt.Errorf("process %d, which a command may have left, could not be looked at within %s: it waits in the operating system. End it, or what it waits for (umount -f)", unsure[0], lookTime)
		}
		if len(left) == 0 {
			return nil
		}
		for _, pid := range left {
			if s.told[pid] && !kill {
				continue
			}
			s.told[pid] = true
			if err := s.endOne(pid, kill); err != nil {
				return fmt.Errorf("process %d, which a command left, could not be ended: %w", pid, err)
			}
		}
		select {
		case <-deadline:
			kill = true
		case <-over:
			return nil // each was killed
		case <-tick.C:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// left finds those that have the variable, and those that may have it.
func (s *search) left() (left, unsure []int) {
	all, _ := filepath.Glob("/proc/[0-9]*")
	for _, path := range all {
		pid, err := strconv.Atoi(filepath.Base(path))
		if err != nil || pid == os.Getpid() {
			continue
		}
		if is, err := unix.Getsid(pid); err != nil || is != s.session { // asked first: it waits for nothing
			continue
		}
		switch has, known := s.look(pid); {
		case !known:
			unsure = append(unsure, pid)
		case has:
			left = append(left, pid)
		}
	}
	return left, unsure
}

// look tells whether a process has the variable. A look that takes too long is left behind, and asked for its answer by the next.
func (s *search) look(pid int) (has, known bool) {
	done, begun := s.looks[pid]
	wait := time.Duration(0)
	if !begun {
		done, wait = make(chan bool, 1), lookTime
		s.looks[pid] = done
		go func() {
			b, err := s.read(fmt.Sprintf("/proc/%d/environ", pid))
			done <- err == nil && bytes.Contains(append([]byte{0}, b...), []byte("\x00"+s.variable+"\x00"))
		}()
	}
	select {
	case has = <-done:
	case <-time.After(wait):
		return false, false
	}
	delete(s.looks, pid)
	return has, true
}

// endOne tells a process to end. It is looked at once more when nothing else can get its number any more.
func (s *search) endOne(pid int, kill bool) error {
	p, err := os.FindProcess(pid) // holds it (pidfd_open(2)), where the system can do that
	if err != nil {
		return nil
	}
	defer p.Release()
	if has, _ := s.look(pid); !has {
		delete(s.told, pid)
		return nil
	}
	signal := unix.SIGTERM
	if kill {
		signal = unix.SIGKILL
	}
	if err := p.Signal(signal); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	return nil
}
