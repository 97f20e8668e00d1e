//go:build unix

package remember

import (
	"os"
	"os/exec"
	"os/signal"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

// TestFullDisk has no room for all of a line, in a process that may write no longer files:
// it is told, what is there stays, and later lines are read.
func TestFullDisk(t *testing.T) {
	if dir := os.Getenv("KIST_TEST_FULL"); dir != "" {
		m := open(t, dir)
		info, err := os.Stat(m.path)
		if err != nil {
			t.Fatal(err)
		}
		signal.Ignore(syscall.SIGXFSZ)
		most := uint64(info.Size()) + 30
		if err := unix.Setrlimit(unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: most, Max: most}); err != nil {
			t.Fatal(err)
		}
		for range 2 {
			if err := m.Note(made(9), made(8)); err == nil && m.known.last != made(8) {
				t.Error("nothing was told")
			}
		}
		if err := m.Note(made(7)); err == nil {
			t.Error("nothing was told")
		}
		expect(t, m, made(7), seen(1), made(2), made(7), made(8), made(9))
		return
	}
	dir := t.TempDir()
	note(t, open(t, dir), seen(1), made(2))
	c := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestFullDisk$")
	c.Env = append(os.Environ(), "KIST_TEST_FULL="+dir)
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	m := open(t, dir)
	expect(t, m, made(2), seen(1), made(2))
	note(t, m, made(3))
	expect(t, open(t, dir), made(3), seen(1), made(2), made(3))
}

// TestReadOnlyFile can't be written to: it is told each time, and known in this process.
func TestReadOnlyFile(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Skip("root may write anywhere")
	}
	dir := t.TempDir()
	m := open(t, dir)
	note(t, m, seen(1))
	if err := os.Chmod(m.path, 0o400); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := m.Note(made(2)); err == nil && len(m.known.captures) != 2 {
			t.Error("nothing was told")
		}
	}
	expect(t, m, made(2), seen(1), made(2))
	expect(t, open(t, dir), Capture{}, seen(1))
}

// TestIsNamed tells a file that compacting has replaced from the one in its place.
func TestIsNamed(t *testing.T) {
	m := open(t, t.TempDir())
	note(t, m, seen(1))
	f, err := m.openLocked()
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if !isNamed(f, m.path) {
		t.Error("the file that is there")
	}
	if err := m.compact(f); err != nil {
		t.Fatal(err)
	}
	if isNamed(f, m.path) {
		t.Error("the file that was replaced")
	}
}
