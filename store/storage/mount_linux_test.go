package storage_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// The file systems of this machine, each small and mounted for one test.
var fileSystems = []struct {
	name   string
	format []string // the command that formats an image; none: it lives in memory
}{
	{"tmpfs", nil},
	{"ext4", []string{"mkfs.ext4", "-q", "-F"}},
	{"vfat", []string{"mkfs.vfat"}},
	{"exfat", []string{"mkfs.exfat"}},
}

const mountSize = "12M"

func TestFileSystems(t *testing.T) {
	for _, fileSystem := range fileSystems {
		t.Run(fileSystem.name, func(t *testing.T) {
			dir := mount(t, fileSystem.name, fileSystem.format)
			storagetest.Run(t, func(t *testing.T) storage.Storage { return newFolder(t, tempDir(t, dir)) })
		})
		t.Run(fileSystem.name+" full", func(t *testing.T) { testFull(t, mount(t, fileSystem.name, fileSystem.format)) })
		t.Run(fileSystem.name+" read-only", func(t *testing.T) { testReadOnly(t, mount(t, fileSystem.name, fileSystem.format)) })
	}
}

func testFull(t *testing.T, dir string) {
	f := newFolder(t, dir)
	put(t, f, "slabs/ab/before", strings.NewReader("before"))
	endless := func() io.Reader { return io.LimitReader(zeros{}, 100<<20) }
	for range 3 {
		wantFailure(t, f.Put(t.Context(), "slabs/ab/big", endless()), syscall.ENOSPC, "slabs/ab/big", f.Path())
		if _, err := f.Stat(t.Context(), "slabs/ab/big"); !errors.Is(err, storage.ErrNotFound) {
			t.Errorf("got %v, want ErrNotFound", err)
		}
	}
	put(t, f, "slabs/ab/after", strings.NewReader("there is space again"))
	wantContent(t, f, "slabs/ab/before", "before")
	wantContent(t, f, "slabs/ab/after", "there is space again")
}

func testReadOnly(t *testing.T, dir string) {
	f := newFolder(t, dir)
	put(t, f, "slabs/ab/before", strings.NewReader("before"))
	run(t, "mount", "-o", "remount,ro", dir)
	wantFailure(t, f.Put(t.Context(), "slabs/ab/x", strings.NewReader("x")), syscall.EROFS, "slabs/ab/x", f.Path())
	wantFailure(t, f.Put(t.Context(), "slabs/cd/x", strings.NewReader("x")), syscall.EROFS, "slabs/cd/x", f.Path())
	wantFailure(t, f.Mark(t.Context(), "leases/x", nil), syscall.EROFS, "leases/x", f.Path())
	wantFailure(t, f.Remove(t.Context(), "slabs/ab/before"), syscall.EROFS, "slabs/ab/before", f.Path())
	wantContent(t, f, "slabs/ab/before", "before")
	run(t, "mount", "-o", "remount,rw", dir)
	put(t, f, "slabs/ab/after", strings.NewReader("after"))
}

// TestShareServerStops needs the commands server-stop and server-start, which stop and
// start the server of the share at KIST_TEST_SHARE.
func TestShareServerStops(t *testing.T) {
	share := os.Getenv("KIST_TEST_SHARE")
	if _, err := exec.LookPath("server-stop"); err != nil || share == "" {
		t.Skip("no share whose server could be stopped")
	}
	f := newFolder(t, tempDir(t, share))
	if err := f.SetAnchor("kist.json"); err != nil {
		t.Fatal(err)
	}
	put(t, f, "kist.json", strings.NewReader("{}"))
	put(t, f, "slabs/ab/before", strings.NewReader("before"))

	stopped := false
	start := func() {
		if stopped {
			run(t, "server-start")
			stopped = false
		}
	}
	defer start()
	content := io.MultiReader(io.LimitReader(zeros{}, 8<<20), readerFunc(func([]byte) (int, error) {
		run(t, "server-stop")
		stopped = true
		return 0, io.EOF
	}))
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	began := time.Now()
	err := f.Put(ctx, "slabs/ab/cut", content)
	if err == nil {
		t.Error("Put returns nil while the server is stopped")
	}
	t.Logf("after %v: %v", time.Since(began).Round(time.Millisecond), err)
	start()

	put(t, f, "slabs/ab/after", strings.NewReader("after"))
	wantContent(t, f, "slabs/ab/before", "before")
	wantContent(t, f, "slabs/ab/after", "after")
	if info, err := f.Stat(t.Context(), "slabs/ab/cut"); err == nil && info.Size != 8<<20 {
		t.Errorf("the object is there in part: %+v", info)
	}
	// what was left behind cleans up as soon as the server answers again
	for end := time.Now().Add(time.Minute); ; {
		aside, err := f.Aside(t.Context())
		if err == nil && len(aside) == 0 {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("left aside: %v, %v", aside, err)
		}
	}
}

type readerFunc func(p []byte) (int, error)

func (f readerFunc) Read(p []byte) (int, error) { return f(p) }

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

// mount mounts a new file system of 12 MiB, in memory or on an image file.
func mount(t *testing.T, kind string, format []string) string {
	t.Helper()
	if os.Getuid() != 0 {
		skip(t, "mounting needs root")
	}
	if _, err := exec.LookPath("mount"); err != nil {
		skip(t, err.Error())
	}
	dir := t.TempDir()
	if format == nil {
		run(t, "mount", "-t", kind, "-o", "size="+mountSize, "kist-test", dir)
	} else {
		if _, err := exec.LookPath(format[0]); err != nil {
			skip(t, err.Error())
		}
		image := filepath.Join(t.TempDir(), "image")
		run(t, "truncate", "-s", mountSize, image)
		run(t, format[0], append(format[1:], image)...)
		if out, err := exec.Command("mount", "-t", kind, "-o", "loop", image, dir).CombinedOutput(); bytes.Contains(out, []byte("unknown filesystem type")) {
			t.Skipf("this kernel has no %s: no package could mend that", kind)
		} else if err != nil {
			skip(t, "mount: "+string(out))
		}
	}
	t.Cleanup(func() { run(t, "umount", dir) })
	return dir
}

func run(t *testing.T, name string, args ...string) {
	t.Helper()
	if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
		t.Errorf("%s %q: %v: %s", name, args, err, out)
	}
}

// skip skips a test that lacks something, unless all tests are required to run.
func skip(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("KIST_TEST_REQUIRE") == "all" {
		t.Fatal(why)
	}
	t.Skip(why)
}
