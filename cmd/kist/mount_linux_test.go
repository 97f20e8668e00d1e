package main

import (
	"os"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"github.com/kistarchive/kist/cmd/kist/internal/trees"
)

// TestRestoreIntoMountPoint: what can't be renamed is filled entry by
// entry, and emptied again when that fails.
func TestRestoreIntoMountPoint(t *testing.T) {
	b := newBench(t)
	b.must("capture", b.path("seedbank"))
	if err := os.Mkdir(b.path("mount"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("none", b.path("mount"), "tmpfs", 0, "size=4m"); err != nil {
		t.Skip(err) // needs root
	}
	defer unix.Unmount(b.path("mount"), unix.MNT_DETACH)
	before := b.names()
	b.interruptAll(func() {
		t.Helper()
		entries, err := os.ReadDir(b.path("mount"))
		if err != nil || len(entries) > 0 || b.names() != before {
			t.Fatalf("%v, %v, %s", entries, err, b.names())
		}
	}, "restore", "latest", "--into", b.path("mount"))
	if !strings.Contains(b.stderr.String(), "is a mount point: its entries were moved one by one") {
		t.Error(b.stderr.String())
	}
	if _, err := trees.Compare(b.path("seedbank"), b.path("mount")); err != nil {
		t.Error(err)
	}
}
