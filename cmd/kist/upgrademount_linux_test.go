package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// TestUpgradeMountPoint: where the data has a file system of its own, what a failed version left is kept in it, and an
// upgrade that could not go back for want of space is not begun.
func TestUpgradeMountPoint(t *testing.T) {
	b := newBench(t)
	dir := b.path("mount")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("none", dir, "tmpfs", 0, "size=4m"); err != nil {
		t.Skip(err) // needs root
	}
	defer unix.Unmount(dir, unix.MNT_DETACH)
	file := filepath.Join(dir, "catalogue.dat")
	if err := os.WriteFile(file, bytes.Repeat([]byte("bean"), 1<<18), 0o600); err != nil {
		t.Fatal(err)
	}
	args := []string{"upgrade", "--name", "seedbank", "--version", "4.1.0", "--to", "4.2.0", "--watch", "0", "--down", "true",
		"--up", `test "$KIST_VERSION" = 4.1.0 || echo ruined >` + file, "--healthy", "! grep -q ruined " + file, dir}
	if status := b.run(t.Context(), args...); status != statusFailed {
		t.Fatalf("status %d: %s", status, &b.stderr)
	}
	kept, _ := filepath.Glob(filepath.Join(dir, ".before-*", "catalogue.dat"))
	if len(kept) != 1 || !strings.Contains(b.stderr.String(), filepath.Dir(kept[0])) {
		t.Fatalf("%q: %s", kept, &b.stderr)
	}
	if was, err := os.ReadFile(kept[0]); err != nil || string(was) != "ruined\n" {
		t.Errorf("%q, %v", was, err)
	}
	if is, err := os.ReadFile(file); err != nil || !bytes.HasPrefix(is, []byte("beanbean")) || len(is) != 1<<20 {
		t.Errorf("%d bytes, %v", len(is), err)
	}
	if err := os.WriteFile(filepath.Join(dir, "more.dat"), make([]byte, 3<<19), 0o600); err != nil {
		t.Fatal(err)
	}
	if status := b.run(t.Context(), args...); status != statusFailed {
		t.Fatalf("status %d", status)
	}
	if said := b.stderr.String(); !strings.Contains(said, "going back would build 2.5 MiB beside what is there") || !strings.Contains(said, "Nothing was stopped") {
		t.Error(said)
	}
}
