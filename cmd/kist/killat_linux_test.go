package main

import (
	"fmt"
	"os/exec"
	"slices"
	"testing"
)

// TestKilledAt kills the program (SIGKILL) as it asks the system for something, so
// that what it does right after does not happen: in the midst of a file, before a
// flush, a move or a removal. A random time seldom falls there.
func TestKilledAt(t *testing.T) {
	strace, err := exec.LookPath("strace")
	require(t, err)
	left := make(map[string][]moment) // untried, by command
	killAll(t, killRounds(t, 11), func(k *killCase, row killRow, args []string) (string, bool) {
		moments := left[row.name]
		if len(moments) == 0 {
			moments = row.moments()
			k.random.Shuffle(len(moments), func(i, j int) { moments[i], moments[j] = moments[j], moments[i] })
		}
		left[row.name] = moments[1:]
		return fmt.Sprintf("killed at %+v", moments[0]), k.killAt(strace, moments[0], args)
	})
}

// moment is the nth call in a thread, if it is about a folder, or about anything.
type moment struct {
	call   string
	folder string
	nth    int
}

// moments gives those of a command at which what is in the repository differs: most
// often the first write, which may be that of any object.
func (r killRow) moments() []moment {
	all := []moment{{"write", "", 1}, {"write", "", 1}, {"write", "", 1}, {"write", "", 2}}
	for _, folder := range r.puts {
		all = append(all, moment{"renameat", folder, 1})
	}
	for _, folder := range r.removes {
		all = append(all, moment{"unlinkat", folder, 1})
	}
	for _, folder := range slices.Compact(slices.Sorted(slices.Values(slices.Concat(r.puts, r.removes)))) {
		all = append(all, moment{"fsync", folder, 1}, moment{"fsync", folder, 2})
	}
	return all
}

// killAt tells whether the program came to its end. With --seccomp-bpf strace does
// not deliver signals.
func (k *killCase) killAt(strace string, at moment, args []string) bool {
	k.t.Helper()
	options := []string{"-f", "-qq", "-o", "/dev/null", "-e", "trace=" + at.call, "-e", fmt.Sprintf("inject=%s:signal=SIGKILL:when=%d", at.call, at.nth)}
	if at.folder != "" {
		for _, folder := range foldersOf(at.folder) {
			options = append(options, "-P", k.path("repo", folder))
		}
	}
	return k.start(func(*exec.Cmd) {}, strace, append(append(options, "kist"), args...)...)
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
