package main

import (
	"os"
	"path/filepath"
	"regexp"
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

// TestRestoreWithoutRoom: where the data can't have room, nothing is begun; what is kept in a mount point
// does not come into the next capture of it.
func TestRestoreWithoutRoom(t *testing.T) {
	b := newBench(t)
	dir := b.path("small")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("none", dir, "tmpfs", 0, "size=1m"); err != nil {
		t.Skip(err) // needs root
	}
	defer unix.Unmount(dir, unix.MNT_DETACH)
	lots := filepath.Join(dir, "lots")
	if err := os.WriteFile(lots, []byte(strings.Repeat("bean", 90_000)), 0o600); err != nil {
		t.Fatal(err)
	}
	b.must("capture", "--name", "small", dir)
	members := func() string {
		b.must("list", "--json")
		return regexp.MustCompile(`"members":[0-9]+`).FindAllString(b.stdout.String(), -1)[0]
	}
	before := members()
	b.must("restore", "latest", "--into", dir, "--replace")
	if err := os.RemoveAll(b.path("repo")); err != nil {
		t.Fatal(err)
	}
	b.must("setup")
	b.must("capture", "--name", "small", dir)
	if after := members(); after != before {
		t.Errorf("%s became %s", before, after)
	}
	if !strings.Contains(b.stderr.String(), "set aside") && !strings.Contains(b.stdout.String(), "set aside") {
		t.Errorf("it does not say what it left out: %s", &b.stderr)
	}
	if status := b.run(t.Context(), "restore", "latest", "--into", dir, "--replace"); status != statusFailed || !strings.Contains(b.stderr.String(), "restoring takes 352 KiB at least, and the file system of "+dir+" has ") {
		t.Errorf("status %d, %s", status, &b.stderr)
	}
	b.must("kept")
	if !strings.Contains(b.stdout.String(), dir+"/.before-") {
		t.Error(&b.stdout)
	}
	b.must("kept", "--remove")
	b.must("restore", "latest", "--into", dir, "--replace")
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 3 { // lots, what is kept, and its mark
		t.Errorf("%v, %v", entries, err)
	}
}
