package main

import (
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// TestLooksAtWhatIsReadOnly: whatever only looks works on a repository that is mounted
// read-only, and says where it goes by another clock.
func TestLooksAtWhatIsReadOnly(t *testing.T) {
	b := newBench(t)
	b.must("capture", "--name", "seedbank", b.path("seedbank"))
	b.must("capture", "--name", "seedbank", b.path("seedbank"))
	repo := b.path("repo")
	if err := unix.Mount(repo, repo, "", unix.MS_BIND, ""); err != nil {
		t.Skip(err) // needs root
	}
	defer unix.Unmount(repo, unix.MNT_DETACH)
	if err := unix.Mount("", repo, "", unix.MS_REMOUNT|unix.MS_BIND|unix.MS_RDONLY, ""); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"reclaim", "--dry-run"}, {"retire", "--last", "1", "--dry-run"}, {"list"}, {"list", "--writers"}, {"verify", "--full"}, {"status"}, {"usage"},
	} {
		b.stderr.Reset()
		b.stdout.Reset()
		b.must(args...)
		if args[0] == "reclaim" && !strings.Contains(b.stdout.String(), "goes by the clock of this machine") {
			t.Errorf("%v does not say which clock it goes by: %s", args, b.stdout.String())
		}
	}
}
