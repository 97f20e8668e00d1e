package main

import (
	"archive/tar"
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// fillDrawer writes tarballs, each of its own contents, and gives their paths.
func (b *bench) fillDrawer(n, size int) (files []string) {
	b.t.Helper()
	for i := range n {
		content := make([]byte, size)
		rand.NewChaCha8([32]byte{byte(i)}).Read(content)
		var stream bytes.Buffer
		w := tar.NewWriter(&stream)
		err := w.WriteHeader(&tar.Header{Name: "catalogue.dat", Mode: 0o600, Size: int64(len(content))})
		if err == nil {
			_, err = w.Write(content)
		}
		if err == nil {
			err = w.Close()
		}
		file := b.path(fmt.Sprintf("seedbank-4.%d.0-2026-03-%02d.tar", i, i+1))
		if err == nil {
			err = os.WriteFile(file, stream.Bytes(), 0o600)
		}
		if err != nil {
			b.t.Fatal(err)
		}
		files = append(files, file)
	}
	return files
}

// eachOnce makes sure that no stream is in two captures, and gives how many there are.
func (b *bench) eachOnce() int {
	b.t.Helper()
	b.must("list", "--json")
	var captures []store.Capture
	if err := json.Unmarshal(b.stdout.Bytes(), &captures); err != nil {
		b.t.Fatal(err)
	}
	seen := make(map[string]bool)
	for _, c := range captures {
		if sum := c.Volumes[0].SHA256; sum == "" || seen[sum] {
			b.t.Fatalf("capture %s has a stream that another one has", c.ID)
		}
		seen[c.Volumes[0].SHA256] = true
	}
	return len(captures)
}

// TestEachInterrupted: wherever it is interrupted, what is in stays, and the next run takes the
// rest in, nothing twice.
func TestEachInterrupted(t *testing.T) {
	b := newBench(t)
	b.stride = 8
	files := b.fillDrawer(4, 30_000)
	args := append([]string{"capture", "--each"}, files...)
	before := 0
	b.interruptAll(func() {
		t.Helper()
		if n := b.eachOnce(); n < before {
			t.Fatalf("%d captures are left of %d", n, before)
		} else {
			before = n
		}
	}, args...)
	if n := b.eachOnce(); n != len(files) {
		t.Errorf("%d captures of %d tarballs", n, len(files))
	}
	was := b.names()
	b.must(args...)
	if n := b.eachOnce(); n != len(files) || b.names() != was {
		t.Errorf("run again it made %d captures of %d tarballs", n, len(files))
	}
	b.must("verify", "--full")
}

// TestEachKilled: what was told before a kill is in, and the rest is taken in by the next run.
func TestEachKilled(t *testing.T) {
	b := newBench(t)
	files := b.fillDrawer(5, 3_000_000)
	cmd := exec.Command("kist", append([]string{"capture", "--each"}, files...)...)
	cmd.Env = append(os.Environ(), "KIST_REPOSITORY="+b.path("repo"), "KIST_KEY_FILE="+b.path("key"), "KIST_CACHE=off", "KIST_STATE="+b.known, "XDG_STATE_HOME="+b.path("state"))
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // it was killed
	if n := b.eachOnce(); n < 1 {
		t.Errorf("%s was told, and %d captures are there", line, n)
	}
	b.must(append([]string{"capture", "--each"}, files...)...)
	if n := b.eachOnce(); n != len(files) {
		t.Errorf("%d captures of %d tarballs", n, len(files))
	}
	b.must("verify", "--full")
}

// eachTells takes files in, and gives what was told of them.
func (b *bench) eachTells(files ...string) []*tarball {
	b.t.Helper()
	b.must(append([]string{"capture", "--each", "--json"}, files...)...)
	var told eachJSON
	if err := json.Unmarshal(b.stdout.Bytes(), &told); err != nil || len(told.Files) != len(files) {
		b.t.Fatalf("%s, %v", b.stdout.Bytes(), err)
	}
	return told.Files
}

// TestEachAnew: a tarball is not told to be there by a capture that goes, is of something else or is damaged: somebody
// may throw it away then.
func TestEachAnew(t *testing.T) {
	for name, spoil := range map[string]func(b *bench, id string, file *string){
		"retired": func(b *bench, id string, _ *string) { b.must("retire", id) },
		"version": func(b *bench, _ string, file *string) { b.rename(file, "seedbank-5.0-2026-03-01.tar") },
		"name":    func(b *bench, _ string, file *string) { b.rename(file, "mill-4.0.0-2026-03-01.tar") },
		"slab gone": func(b *bench, _ string, _ *string) {
			for _, slab := range b.slabs() {
				if err := os.Remove(slab); err != nil {
					b.t.Fatal(err)
				}
			}
		},
		"frame damaged": func(b *bench, _ string, file *string) {
			for _, slab := range b.slabs() {
				spoilByte(b.t, slab, 5000)
			}
			if b.run(b.t.Context(), "verify", "--full") == 0 {
				b.t.Error("no damage was found")
			}
			// What no repair has marked is shared, and that is told.
			if b.run(b.t.Context(), "capture", "--each", *file) == 0 || !strings.Contains(b.stderr.String(), "run kist repair") {
				b.t.Errorf("taken in: %s", b.stderr.String())
			}
			b.run(b.t.Context(), "repair") // some can't be mended yet
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			file := b.fillDrawer(1, 30_000)[0]
			first := b.eachTells(file)[0]
			if again := b.eachTells(file)[0]; again.Outcome != outcomeThere || again.Capture != first.Capture {
				t.Errorf("at first: %+v", again)
			}
			spoil(b, first.Capture, &file)
			anew := b.eachTells(file)[0]
			if anew.Outcome != outcomeTaken || anew.Again == "" || anew.Capture == first.Capture {
				t.Errorf("told: %+v", anew)
			}
			b.must("restore", anew.Capture, "--tar", b.path("back.tar"))
			if again := b.eachTells(file)[0]; again.Outcome != outcomeThere || again.Capture != anew.Capture {
				t.Errorf("once more: %+v", again)
			}
		})
	}
}

// TestEachInOrder: the oldest is taken in first, whatever the files are called; what two of them have is counted once; and
// a capture counts for a version that it had until it was amended.
func TestEachInOrder(t *testing.T) {
	b := newBench(t)
	files := b.fillDrawer(2, 30_000)
	b.rename(&files[0], "zinnia-4.0.0-2026-03-01.tar")
	b.rename(&files[1], "aster-4.1.0-2026-03-02.tar")
	told := b.eachTells(files[1], files[0])
	if told[0].File != files[0] || told[1].File != files[1] {
		t.Errorf("%s came before %s", told[0].File, told[1].File)
	}
	link := b.path("link")
	if err := os.Symlink(files[0], link); err != nil {
		t.Fatal(err)
	}
	var stored []uint64
	for _, files := range [][]string{{link}, {link, link}} {
		b.must(append([]string{"capture", "--each", "--json", "--name", "zinnia", "--version", "4.0.0"}, files...)...)
		var all eachJSON
		if err := json.Unmarshal(b.stdout.Bytes(), &all); err != nil || all.Files[0].Capture != told[0].Capture {
			t.Fatalf("%s, %v", b.stdout.Bytes(), err)
		}
		stored = append(stored, all.Stored)
	}
	if stored[0] == 0 || stored[0] != stored[1] {
		t.Errorf("the repository grew by %d bytes for one file, and by %d for two of one capture", stored[0], stored[1])
	}
	b.must("amend", told[0].Capture, "--version", "4.0.1")
	if again := b.eachTells(files[0])[0]; again.Outcome != outcomeThere || again.Capture != told[0].Capture {
		t.Errorf("amended: %+v", again)
	}
}

func (b *bench) rename(file *string, name string) {
	b.t.Helper()
	was := *file
	if *file = b.path(name); os.Rename(was, *file) != nil {
		b.t.Fatal(was)
	}
}

func (b *bench) slabs() (all []string) {
	b.t.Helper()
	all, err := filepath.Glob(b.path("repo", "slabs", "*"))
	if more, _ := filepath.Glob(b.path("repo", "slabs", "*", "*")); len(more) > 0 {
		all = more
	}
	if err != nil || len(all) == 0 {
		b.t.Fatal("no slabs", err)
	}
	return all
}

func spoilByte(t *testing.T, path string, at int64) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil || int64(len(b)) <= at {
		t.Fatal(len(b), err)
	}
	b[at] ^= 1
	if err := errors.Join(os.Chmod(path, 0o600), os.WriteFile(path, b, 0o600)); err != nil {
		t.Fatal(err)
	}
}
