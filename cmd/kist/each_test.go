package main

import (
	"archive/tar"
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
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
