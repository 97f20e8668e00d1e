package main

import (
	"fmt"
	"os/exec"
	"testing"
)

// TestKilledAt kills the program (SIGKILL) as it asks the system for something, so
// that what it does right after does not happen: in the midst of a file, before a
// flush, a move or a removal. A random moment seldom falls there.
func TestKilledAt(t *testing.T) {
	strace, err := exec.LookPath("strace")
	require(t, err)
	killAll(t, func(k *killCase, row killRow, args []string) (string, bool) {
		return k.killAt(strace, row, args)
	})
}

// killAt kills at a random call. Those that name what they are about are counted
// in one folder: so a certain step is met. strace counts for each thread, and with
// --seccomp-bpf it does not deliver signals.
func (k *killCase) killAt(strace string, row killRow, args []string) (string, bool) {
	k.t.Helper()
	calls := []string{"write", "write", "openat", "fsync", "renameat", "unlinkat"}
	call := calls[k.random.IntN(len(calls))]
	folder := row.folders[k.random.IntN(len(row.folders))]
	nth := 1 + k.random.IntN(2)
	options := []string{"-f", "-qq", "-o", "/dev/null", "-e", "trace=" + call,
		"-e", fmt.Sprintf("inject=%s:signal=SIGKILL:when=%d", call, nth)}
	how := fmt.Sprintf("killed at %s %d", call, nth)
	if call != "write" {
		how += " in " + folder
		for _, path := range foldersOf(folder) {
			options = append(options, "-P", k.path("repo", path))
		}
	}
	return how, k.start(func(*exec.Cmd) {}, strace, append(append(options, "kist"), args...)...)
}

// foldersOf gives the folders that a folder of the repository has, or may have.
func foldersOf(folder string) []string {
	if folder != "slabs" {
		return []string{folder}
	}
	folders := make([]string, 256)
	for i := range folders {
		folders[i] = fmt.Sprintf("slabs/%02x", i)
	}
	return folders
}
