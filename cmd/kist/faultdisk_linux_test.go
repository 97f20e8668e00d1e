package main

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// TestFullDiskReclaim reclaims on a full disk. What is needed of a slab can't be
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

// remountWithin makes it read-only if that is not refused for so long.
func (k *killCase) remountWithin(d time.Duration) error {
	k.t.Helper()
	for deadline := time.Now().Add(d); ; {
		err := k.remount("ro")
		if err == nil || time.Now().After(deadline) {
			return err
		}
	}
}
