package main

import (
	"os"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// TestShareNotMounted: where a share is not mounted its mount point is an empty folder. Nothing is found or made there by
// accident, and who asks is told which share is missing.
func TestShareNotMounted(t *testing.T) {
	b := newBench(t)
	if err := os.Mkdir(b.path("mnt"), 0o700); err != nil {
		t.Fatal(err)
	}
	mount := func(source string) {
		t.Helper()
		if err := unix.Mount(source, b.path("mnt"), "tmpfs", 0, "size=8m"); err != nil {
			t.Skip(err) // needs root
		}
		t.Cleanup(func() { unix.Unmount(b.path("mnt"), unix.MNT_DETACH) })
	}
	unmount := func() {
		t.Helper()
		if err := unix.Unmount(b.path("mnt"), 0); err != nil {
			t.Fatal(err)
		}
	}
	repo := b.path("mnt", "kist")
	fails := func(status int, want string, args ...string) {
		t.Helper()
		if got := b.run(t.Context(), append(args, "--repository", repo)...); got != status || !strings.Contains(b.stderr.String(), want) {
			t.Errorf("%q: status %d: %s", args, got, &b.stderr)
		}
	}
	missing := repo + ": nothing is mounted at " + b.path("mnt") + ", where hazel:/seeds (tmpfs) was when the repository was seen last"

	mount("hazel:/seeds")
	b.must("setup", "--repository", repo)
	b.must("capture", "--spool", "--repository", repo, b.path("seedbank"))
	unmount()
	fails(statusMissing, missing+"\nWhat is listed is in the spool on this machine\nMount it, and run this again.", "list")
	fails(statusMissing, missing+"\nMount it", "verify")
	fails(statusMissing, missing, "status")
	fails(statusMissing, "hazel:/seeds", "setup")
	if entries, err := os.ReadDir(b.path("mnt")); err != nil || len(entries) > 0 {
		t.Errorf("%v, %v", entries, err)
	}
	fails(statusFailed, "is made, and waits on this machine", "capture", b.path("seedbank"))

	// Another disk, and another repository on the disk beneath.
	mount("other:/seeds")
	fails(statusMissing, "other:/seeds (tmpfs) is mounted at "+b.path("mnt")+", where hazel:/seeds (tmpfs) was", "list")
	unmount()
	if status := b.run(t.Context(), "setup", "--accept-unmounted", "--repository", repo); status != statusDone {
		t.Fatalf("status %d: %s", status, &b.stderr)
	}
	b.must("list", "--repository", repo) // it is known by now
	mount("hazel:/seeds")
	b.must("setup", "--repository", repo)
	unmount()
	fails(statusMissing, "and another repository lies there\n", "list")
	b.must("list", "--repository", repo, "--accept-new-root")
	b.must("list", "--repository", repo)
}
