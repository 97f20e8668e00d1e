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

// EndLeft ends what a command left that an earlier process ran, itself among it: all processes of a session that
// have a variable, NAME=VALUE, in their environment (proc_pid_environ(5)). What made itself a session of its own, as
// services do, goes on. It returns once they have ended; what does not within 10 s of being told is killed.
func EndLeft(ctx context.Context, variable string, session int) error {
	deadline := time.After(outlive)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	told, kill := make(map[int]bool), false
	for {
		left := leftWith(variable, session)
		if len(left) == 0 {
			return nil
		}
		for _, pid := range left {
			if told[pid] && !kill {
				continue
			}
			told[pid] = true
			if err := endOne(pid, variable, kill); err != nil {
				return fmt.Errorf("process %d, which a command left, could not be ended: %w", pid, err)
			}
		}
		select {
		case <-deadline:
			kill = true
		case <-tick.C:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// leftWith finds processes.
func leftWith(variable string, session int) (left []int) {
	all, _ := filepath.Glob("/proc/[0-9]*")
	for _, path := range all {
		pid, err := strconv.Atoi(filepath.Base(path))
		if err != nil || pid == os.Getpid() || !hasVariable(pid, variable) {
			continue
		}
		if is, err := unix.Getsid(pid); err == nil && is == session {
			left = append(left, pid)
		}
	}
	return left
}

func hasVariable(pid int, variable string) bool {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/environ", pid))
	return err == nil && bytes.Contains(append([]byte{0}, b...), []byte("\x00"+variable+"\x00"))
}

// endOne tells a process to end. It is looked at once more when nothing else can get its number any more.
func endOne(pid int, variable string, kill bool) error {
	p, err := os.FindProcess(pid) // holds it (pidfd_open(2)), where the system can do that
	if err != nil {
		return nil
	}
	defer p.Release()
	if !hasVariable(pid, variable) {
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
