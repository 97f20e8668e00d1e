package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

// require skips a test that something is missing for, or fails where nothing may
// be skipped.
func require(t *testing.T, err error) {
	t.Helper()
	if err == nil {
		return
	}
	if os.Getenv("KIST_TEST_REQUIRE") == "all" {
		t.Fatal(err)
	}
	t.Skip(err)
}

var errNotRoot = errors.New("mounting needs root")

func requireRoot(t *testing.T) {
	t.Helper()
	if os.Geteuid() != 0 {
		require(t, errNotRoot)
	}
}

// systemFault makes system calls of the program fail: all those of some names that
// are about some folders of the repository.
type systemFault struct {
	name    string
	command killRow
	calls   string
	errno   string
	folders []string // below the repository; none: wherever they are about
	object  string   // that the message must name
	passes  bool     // the command does its work all the same
}

// systemFaults are repeatable: strace counts calls for each thread, and what runs
// in which thread is the runtime's choice, so every call fails.
func systemFaults() []systemFault {
	capture := killRow{prepare: (*killCase).growAndCaptureFolder, captures: true}
	streamed := killRow{prepare: (*killCase).growAndCaptureStreamed, captures: true}
	below := foldersOf("slabs")
	return []systemFault{
		{"a slab can't be made", capture, "mkdirat", "ENOSPC", []string{"slabs"}, "slabs/", false},
		{"a slab can't be moved into place", capture, "renameat", "EIO", below, "slabs/", false},
		{"a slab can't be moved, nor removed", capture, "renameat,unlinkat", "EIO", below, "slabs/", false},
		{"a slab can't be sent on its way", streamed, "sync_file_range", "EIO", nil, "slabs/", false},
		{"nothing can be sent on its way", streamed, "sync_file_range", "ENOSYS", nil, "", true},
		{"a flush fails", capture, "fsync", "EIO", nil, "repo", false},
		{"a flush finds the disk full", capture, "fsync", "ENOSPC", nil, "repo", false},
		{"a table's folder can't be flushed", capture, "fsync", "EIO", []string{"tables"}, "tables/", false},
		{"a table can't be moved into place", capture, "renameat", "ENOSPC", []string{"tables"}, "tables/", false},
		{"tables can't be listed", capture, "openat", "EIO", []string{"tables"}, "tables", false},
		{"an index file can't be made", capture, "openat", "EROFS", []string{"captures"}, "captures", false},
		{"an index file can't be moved into place", capture, "renameat", "EROFS", []string{"captures"}, "captures/", false},
		{"the commit can't be flushed", capture, "fsync", "EIO", []string{"captures"}, "captures/", false},
		{"captures can't be listed", capture, "getdents64", "EIO", []string{"captures"}, "captures", false},
		{"the repository can't be opened", capture, "openat", "EMFILE", []string{"."}, "repo", false},
		{"kist.json can't be found", capture, "openat2,newfstatat,statx", "EIO", []string{"."}, "kist.json", false},
		{"the source can't be flushed", capture, "syncfs", "EIO", nil, "seedbank", false},
		{"the source can't be read", capture, "getdents64", "EIO", []string{"../seedbank"}, "seedbank", false},
	}
}

// TestSystemFaults lets the system refuse what the program asks of it. The message
// names the object; what was committed is unharmed; the next capture works.
func TestSystemFaults(t *testing.T) {
	if testing.Short() {
		t.Skip("a process for each; in one, the tests of store do")
	}
	strace, err := exec.LookPath("strace")
	require(t, err)
	for name, faults := range map[string][]systemFault{"capture": systemFaults(), "retention": retentionFaults()} {
		t.Run(name, func(t *testing.T) {
			k := newKillCase(t, rand.New(rand.NewPCG(1, 2)))
			k.must(k.captureTar()...)
			k.learn()
			k.number++
			for _, fault := range faults {
				t.Run(fault.name, func(t *testing.T) {
					k.t = t
					k.fault(strace, fault)
				})
			}
		})
	}
}

// growAndCaptureStreamed gives a slab that is sent on its way while it is filled.
func (k *killCase) growAndCaptureStreamed() []string {
	k.t.Helper()
	k.grow()
	b := make([]byte, 10<<20)
	rand.NewChaCha8([32]byte{byte(k.number), 1}).Read(b)
	if err := os.WriteFile(k.path("seedbank", "lot-streamed"), b, 0o600); err != nil {
		k.t.Fatal(err)
	}
	return k.captureFolder()
}

// fault runs the program with a fault, and holds what it says against that.
func (k *killCase) fault(strace string, fault systemFault) {
	k.t.Helper()
	args := fault.command.prepare(k)
	status, output := k.inject(strace, fault, args)
	switch {
	case fault.passes && status != statusDone:
		k.t.Errorf("status %d: %s", status, output)
	case !fault.passes && status != statusFailed:
		k.t.Errorf("status %d, not %d: %s", status, statusFailed, output)
	case !fault.passes && !strings.Contains(output, fault.object):
		k.t.Errorf("%q does not name %s", output, fault.object)
	}
	k.afterFault(fault.command, args)
}

// inject runs the program with a fault.
func (k *killCase) inject(strace string, fault systemFault, command []string) (int, string) {
	k.t.Helper()
	log := k.path("strace")
	args := []string{"-f", "-qq", "-o", log, "--seccomp-bpf", "-e", "trace=" + fault.calls, "-e", "inject=" + fault.calls + ":error=" + fault.errno}
	for _, folder := range fault.folders {
		args = append(args, "-P", k.path("repo", folder))
	}
	args = append(args, "kist")
	status, output := k.process(exec.Command(strace, append(args, command...)...))
	seen, err := os.ReadFile(log)
	if err != nil {
		k.t.Fatalf("%v: %s", err, output)
	}
	if !bytes.Contains(seen, []byte("(INJECTED)")) {
		if bytes.Contains([]byte(output), []byte("ptrace")) {
			require(k.t, errors.New(output))
		}
		k.t.Errorf("no call failed: %s", output)
	}
	return status, output
}

// process runs the program as a process of its own, and gives its exit status.
func (k *killCase) process(cmd *exec.Cmd) (int, string) {
	k.t.Helper()
	cmd.Env = k.environment()
	var output bytes.Buffer
	cmd.Stdout, cmd.Stderr = &output, &output
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		k.t.Fatal(err)
	}
	return cmd.ProcessState.ExitCode(), output.String()
}

// afterFault: all is well, and the same command works, and the next capture.
func (k *killCase) afterFault(command killRow, args []string) {
	k.t.Helper()
	k.check("after the fault")
	if !command.captures {
		k.must(args...)
		k.learn()
	}
	if command.settled != nil {
		command.settled(k)
	}
	k.capture()
	if len(k.fates) > 0 || len(k.listed) > manyCaptures {
		k.reclaimAll("after the fault")
	}
	k.number++
}

// afterCapture: all is well, and the next capture works.
func (k *killCase) afterCapture() {
	k.t.Helper()
	k.afterFault(killRow{captures: true}, nil)
}

// mounted puts the repository on a file system of its own. format says how an
// image is made; none: it lies in memory.
func (k *killCase) mounted(size int64, format ...string) {
	k.t.Helper()
	if testing.Short() {
		k.t.Skip("a process for each step; in one, the tests of store do")
	}
	requireRoot(k.t)
	run := func(name string, args ...string) {
		k.t.Helper()
		if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
			require(k.t, fmt.Errorf("%s %q: %w: %s", name, args, err, out))
		}
	}
	repo, old, image := k.path("repo"), k.path("repo.old"), k.path("image")
	if err := errors.Join(os.Rename(repo, old), os.Mkdir(repo, 0o700)); err != nil {
		k.t.Fatal(err)
	}
	if len(format) == 0 {
		run("mount", "-t", "tmpfs", "-o", fmt.Sprintf("size=%d", size), "none", repo)
	} else {
		if err := errors.Join(os.WriteFile(image, nil, 0o600), os.Truncate(image, size)); err != nil {
			k.t.Fatal(err)
		}
		options := ""
		if format[0] == "mkfs.ext4" {
			options = ",errors=remount-ro"
		}
		run(format[0], append(format[1:], image)...)
		run("mount", "-o", "loop"+options, image, repo)
	}
	k.t.Cleanup(func() {
		if err := unix.Unmount(repo, unix.MNT_DETACH); err != nil {
			k.t.Error(err)
		}
	})
	run("cp", "-a", old+"/.", repo)
	run("sync", "-f", repo) // what is from before an error of the disk is on it
}

// free gives the free bytes and inodes of the repository's file system.
func (k *killCase) free() (length, inodes int64) {
	k.t.Helper()
	var s unix.Statfs_t
	if err := unix.Statfs(k.path("repo"), &s); err != nil {
		k.t.Fatal(err)
	}
	return int64(s.Bavail) * s.Bsize, int64(s.Ffree)
}

// TestFullDisk captures onto a disk that has room left for some of it. Once there
// is room again, all goes on.
func TestFullDisk(t *testing.T) {
	k := newKillCase(t, rand.New(rand.NewPCG(3, 4)))
	k.mounted(96 << 20)
	k.must(k.captureTar()...)
	k.learn()
	k.number++
	filler := k.path("repo", "filler")
	for _, left := range []int64{0, 4 << 10, 16 << 10, 128 << 10, 480 << 10} {
		t.Run(fmt.Sprintf("%d KiB left", left>>10), func(t *testing.T) {
			k.t = t
			k.grow()
			free, _ := k.free()
			fillFile(t, filler, free-left)
			status, output := k.process(exec.Command("kist", k.captureFolder()...))
			if status != statusFailed || !strings.Contains(output, "no space left on device") || !strings.Contains(output, k.path("repo")) {
				t.Errorf("status %d: %s", status, output)
			}
			k.check("while the disk is full")
			if err := os.Remove(filler); err != nil {
				t.Fatal(err)
			}
			k.afterCapture()
		})
	}
}

func fillFile(t *testing.T, name string, n int64) {
	t.Helper()
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := io.CopyN(f, zeroReader{}, n); err != nil && !errors.Is(err, syscall.ENOSPC) {
		t.Fatal(err)
	}
}

type zeroReader struct{}

func (zeroReader) Read(p []byte) (int, error) {
	clear(p)
	return len(p), nil
}

// TestNoInodes captures onto a disk that has room but no inodes left, or few.
func TestNoInodes(t *testing.T) {
	k := newKillCase(t, rand.New(rand.NewPCG(5, 6)))
	k.mounted(48<<20, "mkfs.ext4", "-q", "-F", "-m", "0", "-N", "160")
	k.must(k.captureTar()...)
	k.learn()
	k.number++
	for left := range int64(4) { // a slab's folder, the slab, the table, the index file
		t.Run(fmt.Sprintf("%d left", left), func(t *testing.T) {
			k.t = t
			k.grow()
			folder := k.path("repo", "filler")
			if err := os.Mkdir(folder, 0o700); err != nil {
				t.Fatal(err)
			}
			for _, inodes := k.free(); inodes > left; inodes-- {
				if err := os.WriteFile(filepath.Join(folder, fmt.Sprint(inodes)), nil, 0o600); err != nil {
					t.Fatal(err)
				}
			}
			before := len(k.known)
			status, output := k.process(exec.Command("kist", k.captureFolder()...))
			k.check("while no inodes are left")
			switch {
			case status == statusDone && len(k.known) == before+1 && left > 2: // the slab's folder was there before
			case status != statusFailed || !strings.Contains(output, "no space left on device") || !strings.Contains(output, k.path("repo")):
				t.Errorf("status %d: %s", status, output)
			}
			if err := os.RemoveAll(folder); err != nil {
				t.Fatal(err)
			}
			k.afterCapture()
		})
	}
}

// TestReadOnlyMeanwhile: the disk becomes read-only in the middle of a capture, as
// ext4 does when it meets an error.
func TestReadOnlyMeanwhile(t *testing.T) {
	k := newKillCase(t, rand.New(rand.NewPCG(7, 8)))
	k.mounted(128<<20, "mkfs.ext4", "-q", "-F")
	k.must(k.captureTar()...)
	k.learn()
	k.number++
	reader, writer := io.Pipe()
	cmd := exec.Command("kist", "capture", "--quiet", "--name", "seedbank", "--version", fmt.Sprint(k.number), "-")
	cmd.Stdin = reader
	var output string
	var status int
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		status, output = k.process(cmd)
		reader.Close()
	}()
	source := rand.NewChaCha8([32]byte{9})
	if _, err := io.CopyN(writer, source, 30<<20); err != nil {
		t.Fatal(err)
	}
	k.diskError()
	if _, err := io.CopyN(writer, source, 40<<20); err != nil && !errors.Is(err, io.ErrClosedPipe) {
		t.Error(err)
	}
	writer.Close()
	<-ended
	if status != statusFailed || !strings.Contains(output, "read-only file system") || !strings.Contains(output, k.path("repo")) {
		t.Errorf("status %d: %s", status, output)
	}
	k.check("while the disk is read-only")
	k.mountAgain()
	k.afterCapture()
}
