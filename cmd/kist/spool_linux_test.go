package main

import (
	"bytes"
	"context"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"github.com/kistarchive/kist/cmd/kist/engine"
)

// hooked is an engine that has something done when it stops and when it starts a container.
type hooked struct {
	engine.Runner
	stopped, starts func()
}

func (h *hooked) Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	if args[0] == "start" {
		h.starts()
	}
	err := h.Runner.Run(ctx, args, stdin, stdout, stderr)
	if args[0] == "stop" {
		h.stopped()
	}
	return err
}

// watchOpened watches a folder and all below it, and gives what tells how often something there was opened, read, made, moved or
// removed since (inotify(7)).
func watchOpened(t *testing.T, dir string) func() int {
	t.Helper()
	fd, err := unix.InotifyInit1(unix.IN_NONBLOCK | unix.IN_CLOEXEC)
	if err != nil {
		t.Skip(err)
	}
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.IsDir() {
			_, err = unix.InotifyAddWatch(fd, path, unix.IN_OPEN|unix.IN_ACCESS|unix.IN_MODIFY|unix.IN_CREATE|unix.IN_DELETE|unix.IN_MOVE)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for b := make([]byte, 4096); err == nil; { // what the walk itself opened
		_, err = unix.Read(fd, b)
	}
	return func() (n int) {
		defer unix.Close(fd)
		for b := make([]byte, 4096); ; {
			got, err := unix.Read(fd, b)
			if err != nil || got <= 0 {
				return n
			}
			n += got
		}
	}
}

// TestSpoolLeavesShareAlone: between the stop and the start of a container nothing of the repository is opened, and without the spool
// something is.
func TestSpoolLeavesShareAlone(t *testing.T) {
	b := newFakeContainer(t)
	var touched func() int
	n := 0
	b.engine = &hooked{b.engine,
		func() { touched = watchOpened(t, b.path("repo")) },
		func() { n = touched() },
	}
	for _, way := range []string{"--spool", "--no-spool", "--spool"} {
		if err := os.WriteFile(b.path("seedbank", "lot"+way), []byte(way), 0o600); err != nil {
			t.Fatal(err)
		}
		b.must("capture", "--container", "seedbank", "--stop", "--reread", way)
		if (n > 0) != (way == "--no-spool") {
			t.Errorf("%s: what was done to the repository while the container was stopped comes to %d bytes of events", way, n)
		}
	}
	b.must("verify", "--full")
}

// TestSendingFails: the share goes while the container is stopped: it runs again, and the capture waits and is sent later.
func TestSendingFails(t *testing.T) {
	b := newFakeContainer(t)
	b.must("capture", "--container", "seedbank", "--stop", "--spool")

	b.engine = &hooked{b.engine, func() {
		if err := os.Rename(b.path("repo", anchor), b.path("aside")); err != nil {
			t.Error(err)
		}
	}, func() {}}
	if status := b.run(t.Context(), "capture", "--container", "seedbank", "--stop", "--spool"); status != statusFailed {
		t.Errorf("status %d: %s", status, &b.stderr)
	}
	b.mustRun("seedbank")
	id := strings.TrimSpace(b.stdout.String())
	if !strings.Contains(b.stderr.String(), "capture "+id+" is made, and waits on this machine") {
		t.Errorf("%s", &b.stderr)
	}
	if err := os.Rename(b.path("aside"), b.path("repo", anchor)); err != nil {
		t.Fatal(err)
	}
	b.must("list")
	if !strings.Contains(b.stdout.String(), "waiting") {
		t.Errorf("%s", &b.stdout)
	}
	b.must("resume")
	b.must("list")
	if strings.Contains(b.stdout.String(), "waiting") || strings.Count(b.stdout.String(), id) != 1 {
		t.Errorf("%s", &b.stdout)
	}
	b.must("verify", "--full")
}

// TestSpoolFull: a spool on a disk that is full costs no capture: it goes into the repository at once, and the container runs.
func TestSpoolFull(t *testing.T) {
	b := newFakeContainer(t)
	b.must("capture", "--container", "seedbank", "--stop", "--spool")
	spools, err := filepath.Glob(filepath.Join(b.known, "spool", "*", "repository"))
	if err != nil || len(spools) != 1 {
		t.Fatalf("%q, %v", spools, err)
	}
	if err := os.Rename(spools[0], b.path("spool")); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(spools[0], 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("none", spools[0], "tmpfs", 0, "size=1m,mode=0700"); err != nil {
		t.Skip(err) // needs root
	}
	defer unix.Unmount(spools[0], unix.MNT_DETACH)
	if err := os.CopyFS(spools[0], os.DirFS(b.path("spool"))); err != nil {
		t.Fatal(err)
	}
	noise := make([]byte, 4<<20)
	rand.NewChaCha8([32]byte{}).Read(noise)
	for _, when := range []string{"before it is stopped", "while it is stopped"} {
		runner := b.engine
		write := func() {
			noise[0]++
			if err := os.WriteFile(b.path("seedbank", when), noise, 0o600); err != nil {
				t.Error(err)
			}
		}
		if when == "before it is stopped" {
			write()
		} else {
			b.engine = &hooked{runner, write, func() {}}
		}
		// What the spool's disk has is looked at by the folder above it, which has plenty.
		b.must("capture", "--container", "seedbank", "--stop", "--spool")
		b.engine = runner
		b.mustRun("seedbank")
		if said := b.stderr.String(); !strings.Contains(said, "the spool in ") || !strings.Contains(said, " is full: the capture goes into the repository at once") || !strings.Contains(said, "the repository grew by") {
			t.Errorf("%s: %s", when, said)
		}
		b.must("list")
		if strings.Contains(b.stdout.String(), "waiting") {
			t.Errorf("%s: %s", when, &b.stdout)
		}
		b.must("restore", "latest", "--into", b.path("restored"))
		if got, err := os.ReadFile(b.path("restored", when)); err != nil || !bytes.Equal(got, noise) {
			t.Errorf("%s: %d bytes, %v", when, len(got), err)
		}
		if err := os.RemoveAll(b.path("restored")); err != nil {
			t.Fatal(err)
		}
	}
	b.must("verify", "--full")
}

// TestTwoSpools: two machines with a spool each send into one repository, by turns and while the other one's waits.
func TestTwoSpools(t *testing.T) {
	hazel := newBench(t)
	alder := &bench{t: t, dir: hazel.dir, cache: "off", known: t.TempDir()}
	machines := map[string]*bench{"hazel": hazel, "alder": alder}
	want := 0
	for round := range 3 {
		for host, b := range machines {
			if err := os.WriteFile(b.path("seedbank", "of-"+host), []byte(host+strings.Repeat("x", round)), 0o600); err != nil {
				t.Fatal(err)
			}
			way := "--spool"
			if round == 1 {
				way = "--spool-only"
			}
			b.must("capture", way, "--host", host, b.path("seedbank"))
			want++
		}
	}
	for host, b := range machines {
		b.must("list")
		if got := strings.Count(b.stdout.String(), "\n") - 1; got != want || strings.Contains(b.stdout.String(), "waiting") {
			t.Errorf("%s: %d captures, not %d: %s", host, got, want, &b.stdout)
		}
		b.must("restore", "latest", "--host", host, "--into", b.path("restored-"+host))
		if got, err := os.ReadFile(b.path("restored-"+host, "of-"+host)); string(got) != host+"xx" {
			t.Errorf("%s: %q, %v", host, got, err)
		}
	}
	hazel.must("verify", "--full")
}
