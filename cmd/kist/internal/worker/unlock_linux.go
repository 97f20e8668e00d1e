package worker

import (
	"fmt"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// unlock lets go the locks on files of this machine that the process has, each by itself: what waits for a share keeps the
// process, and with it its locks, until that answers.
func unlock() {
	entries, _ := os.ReadDir("/proc/self/fd")
	var group sync.WaitGroup
	for _, e := range entries {
		var fd int
		if _, err := fmt.Sscan(e.Name(), &fd); err != nil {
			continue
		}
		if to, err := os.Readlink("/proc/self/fd/" + e.Name()); err != nil || !strings.HasPrefix(to, "/") {
			continue
		}
		group.Go(func() { unix.Flock(fd, unix.LOCK_UN) })
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		group.Wait()
	}()
	select {
	case <-done:
	case <-time.After(unlockTime):
	}
}

// unlockTime is how long a share may take to let go.
const unlockTime = 200 * time.Millisecond
