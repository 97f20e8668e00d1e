package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"github.com/kistarchive/kist/store/volume"
)

// smallMount mounts an empty file system.
func smallMount(t *testing.T, dir string) {
	t.Helper()
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("none", dir, "tmpfs", 0, "size=4m"); err != nil {
		t.Skip(err) // needs root
	}
	t.Cleanup(func() { unix.Unmount(dir, unix.MNT_DETACH) })
}

// TestStrictLeftOut: what a marker hides from a capture is told, and counts under --strict unless it is proved to be what
// a restore set aside.
func TestStrictLeftOut(t *testing.T) {
	b := newBench(t)
	dir := b.path("mount")
	smallMount(t, dir)
	if err := os.WriteFile(filepath.Join(dir, "catalogue.dat"), []byte("bean"), 0o600); err != nil {
		t.Fatal(err)
	}
	capture := func(want int) {
		t.Helper()
		status := b.run(t.Context(), "capture", "--strict", "--name", "seedbank", dir)
		if said := b.stderr.String(); status != want || !strings.Contains(said, "is set aside here, and is left out") ||
			(want != 0) != strings.Contains(said, "left out, as set aside by a restore, which nothing proves but an inode number: mount:.before-") {
			t.Errorf("status %d, not %d: %s", status, want, said)
		}
	}
	b.must("capture", "--name", "seedbank", dir)
	b.must("restore", "latest", "--into", dir, "--replace")
	capture(0) // the marker tells when it was made
	found, err := volume.FindAside(dir)
	if err != nil || len(found) != 1 {
		t.Fatal(found, err)
	}
	// As an earlier release marked it.
	markers, _ := filepath.Glob(filepath.Join(dir, ".kist-aside-*"))
	if err := os.WriteFile(markers[0], fmt.Appendf(nil, "kist set aside 1\n%d\n", found[0].Identity.Inode), 0o644); err != nil {
		t.Fatal(err)
	}
	capture(0) // the book has it
	if err := os.Remove(filepath.Join(b.known, "set-aside")); err != nil {
		t.Fatal(err)
	}
	capture(statusFailed)
}

// TestCaptureTornMount: a mount point where a restore was killed in the middle is not captured, and it is said what to do.
func TestCaptureTornMount(t *testing.T) {
	b := newBench(t)
	dir := b.path("mount")
	smallMount(t, dir)
	if err := os.WriteFile(filepath.Join(dir, "catalogue.dat"), []byte("bean"), 0o600); err != nil {
		t.Fatal(err)
	}
	old := filepath.Join(dir, ".out-20260314t020305z", "old")
	if err := os.MkdirAll(old, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(dir, "catalogue.dat"), filepath.Join(old, "catalogue.dat")); err != nil {
		t.Fatal(err)
	}
	id, err := volume.IdentityOf(filepath.Dir(old))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, ".kist-aside-abcdef"), fmt.Appendf(nil, "kist set aside 2\n%d %d\n", id.Inode, id.Born), 0o644); err != nil {
		t.Fatal(err)
	}
	if status := b.run(t.Context(), "capture", "--name", "seedbank", "--accept-empty", dir); status != statusFailed || !strings.Contains(b.stderr.String(), "kist kept --recover DIR puts that in order") {
		t.Errorf("status %d: %s", status, &b.stderr)
	}
	b.must("kept", "--recover", dir)
	b.must("capture", "--name", "seedbank", dir)
	b.must("contents", "latest")
	if !strings.Contains(b.stdout.String(), "catalogue.dat") {
		t.Error(&b.stdout)
	}
}
