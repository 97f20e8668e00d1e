//go:build unix

package main

import (
	"os"
	"runtime"
	"syscall"
)

// peakMemory gives the most memory, in bytes, that a process which ended had in
// use at a time. (getrusage: Linux counts in KiB, macOS in bytes.) Linux never
// gives less than the process that started it used then: this one, some MiB.
func peakMemory(s *os.ProcessState) int64 {
	u, ok := s.SysUsage().(*syscall.Rusage)
	if !ok {
		return 0
	}
	if runtime.GOOS == "darwin" {
		return int64(u.Maxrss)
	}
	return int64(u.Maxrss) << 10
}
