package main

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// TestFullDiskReclaim reclaims on a full disk that has no reserve left. What is needed of a slab can't be
// moved then, and nothing is harmed. Where whole slabs go first, they make room.
func TestFullDiskReclaim(t *testing.T) {
	k := newKillCase(t, rand.New(rand.NewPCG(9, 10)))
	k.mounted(96 << 20)
	k.must(k.captureTar()...)
	k.learn()
	k.number++
	filler := k.path("repo", "filler")
	for _, left := range []int64{0, 64 << 10} {
		t.Run(fmt.Sprintf("%d KiB left", left>>10), func(t *testing.T) {
			k.t = t
			k.grow()
			whole := k.capture()
			args := k.reclaimRests()
			if err := os.RemoveAll(k.path("repo", "reserve")); err != nil { // which has room for some
				t.Fatal(err)
			}
			free, _ := k.free()
			fillFile(t, filler, free-left)
			status, output := k.process(exec.Command("kist", args...))
			if status != statusFailed || !strings.Contains(output, "no space left on device") || !strings.Contains(output, k.path("repo")) {
				t.Errorf("status %d: %s", status, output)
			}
			k.check("while the disk is full")
			if left == 0 { // not even for a mark
				if err := os.Remove(filler); err != nil {
					t.Fatal(err)
				}
			}
			k.retireNow(whole)
			k.reclaimAll("whole slabs make room")
			if err := os.RemoveAll(filler); err != nil {
				t.Fatal(err)
			}
			k.afterCapture()
		})
	}
}

// TestReadOnlyReclaim: the disk becomes read-only while what is needed of a slab
// is being moved.
func TestReadOnlyReclaim(t *testing.T) {
	k := newKillCase(t, rand.New(rand.NewPCG(11, 12)))
	k.mounted(160<<20, "mkfs.ext4", "-q", "-F")
	k.long = true
	for range 5 { // else it always came to its end in between
		k.number += largeRounds - 1 - k.number%largeRounds
		status, output := k.readOnlyDuring(k.reclaimRests())
		k.check("while the disk is read-only")
		if err := k.remount("rw"); err != nil {
			t.Fatal(err)
		}
		k.must(reclaimNow...)
		k.isTidy()
		k.reclaimAll("once it can be written again")
		if status == statusDone {
			continue
		}
		if status != statusFailed || !strings.Contains(output, "read-only file system") || !strings.Contains(output, k.path("repo")) {
			t.Errorf("status %d: %s", status, output)
		}
		k.afterCapture()
		return
	}
	t.Error("no reclaim was met")
}

// readOnlyDuring runs the program, and has the disk become read-only as soon as a
// slab has been begun, and no file is just being written.
func (k *killCase) readOnlyDuring(args []string) (status int, output string) {
	k.t.Helper()
	left := len(k.files("slabs/*/_*.part"))
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		status, output = k.process(exec.Command("kist", args...))
	}()
	for begun := false; ; {
		select {
		case <-ended:
			return status, output
		default:
		}
		begun = begun || len(k.files("slabs/*/_*.part")) > left
		if begun && k.remount("ro") == nil {
			<-ended
			return status, output
		}
	}
}

// remount makes the repository's file system read-only ("ro") or not ("rw"). It is
// refused while a file is open for writing.
func (k *killCase) remount(how string) error {
	out, err := exec.Command("mount", "-o", "remount,"+how, k.path("repo")).CombinedOutput()
	if err != nil {
		err = fmt.Errorf("%w: %s", err, out)
	}
	return err
}

// diskError has the repository's ext4 meet an error: it is read-only from then on,
// for files that are open for writing as well. (Linux, Documentation/ABI/testing/sysfs-fs-ext4:
// trigger_fs_error; mounted with errors=remount-ro.)
func (k *killCase) diskError() {
	k.t.Helper()
	device, err := exec.Command("findmnt", "-n", "-o", "SOURCE", k.path("repo")).Output()
	if err != nil {
		require(k.t, fmt.Errorf("findmnt: %w", err))
	}
	trigger := filepath.Join("/sys/fs/ext4", filepath.Base(strings.TrimSpace(string(device))), "trigger_fs_error")
	if err := os.WriteFile(trigger, []byte("a test of kist"), 0); err != nil {
		require(k.t, err)
	}
}

// mountAgain checks and mounts the file system again after diskError.
func (k *killCase) mountAgain() {
	k.t.Helper()
	run := func(name string, args ...string) {
		k.t.Helper()
		if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
			k.t.Fatalf("%s %q: %v: %s", name, args, err, out)
		}
	}
	run("umount", k.path("repo"))
	// Exit status 1: errors were corrected (e2fsck(8)).
	out, err := exec.Command("e2fsck", "-p", k.path("image")).CombinedOutput()
	if exit := (*exec.ExitError)(nil); err != nil && !(errors.As(err, &exit) && exit.ExitCode() == 1) {
		k.t.Fatalf("e2fsck: %v: %s", err, out)
	}
	run("mount", "-o", "loop", k.path("image"), k.path("repo"))
}
