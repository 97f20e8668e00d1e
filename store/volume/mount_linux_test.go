package volume

import (
	"os"
	"testing"

	"golang.org/x/sys/unix"
)

// mount mounts an empty file system.
func mount(t testing.TB, dir string) {
	t.Helper()
	ok(t, os.Mkdir(dir, 0o755))
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=1m"); err != nil {
		if os.Geteuid() == 0 && os.Getenv("KIST_TEST_REQUIRE") == "all" {
			t.Fatal(err)
		}
		t.Skip("needs a mount: ", err)
	}
	t.Cleanup(func() { ok(t, unix.Unmount(dir, 0)) })
}

// TestMounts has a name with what mountinfo escapes, and a bind mount, which is of the same device.
func TestMounts(t *testing.T) {
	dir := t.TempDir() + "/a b\t\\040\n#"
	mount(t, dir)
	ok(t, os.Mkdir(dir+"/from", 0o700), os.Mkdir(dir+"/bound", 0o700))
	if err := unix.Mount(dir+"/from", dir+"/bound", "", unix.MS_BIND, ""); err != nil {
		t.Fatal(err)
	}
	defer unix.Unmount(dir+"/bound", 0)
	for path, want := range map[string]bool{dir + "/bound": true, dir + "/from": false} {
		s, err := findSite(path)
		ok(t, err)
		s.close()
		if s.mounted != want {
			t.Errorf("%q is a mount point: %v", path, s.mounted)
		}
	}
}
