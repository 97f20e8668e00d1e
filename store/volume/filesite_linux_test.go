package volume

import (
	"errors"
	"os"
	"testing"

	"golang.org/x/sys/unix"
)

// TestFileSiteNoLinks: where no hard link can be made, two renames do it. A tmpfs counts links as inodes (Linux, mm/shmem.c:
// shmem_link), and this one has none left.
func TestFileSiteNoLinks(t *testing.T) {
	dir := t.TempDir() + "/few"
	ok(t, os.Mkdir(dir, 0o755))
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=1m,nr_inodes=3"); err != nil {
		if os.Geteuid() == 0 && os.Getenv("KIST_TEST_REQUIRE") == "all" {
			t.Fatal(err)
		}
		t.Skip("needs a mount: ", err)
	}
	t.Cleanup(func() { ok(t, unix.Unmount(dir, 0)) })
	place := dir + "/single.toml"
	ok(t, os.WriteFile(place, []byte("new"), 0o600))
	s, part := siteOf(t, place, "old")
	t.Cleanup(func() { s.Close() })
	if err := os.Link(place, dir+"/link"); err == nil {
		t.Skip("this tmpfs does not count links")
	}
	ok(t, s.Exchange(part, "single.toml.before-1"))
	mustHold(t, place, "old")
	mustHold(t, place+".before-1", "new")
	// What was built is gone: the file comes back into its place.
	if err := s.Exchange("nosuch", "single.toml.before-2"); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
	mustHold(t, place, "old")
	ok(t, os.Remove(place+".before-1"), s.Check())
	if all, err := os.ReadDir(dir); err != nil || len(all) != 1 {
		t.Errorf("%v, %v", all, err)
	}
	s.Close()
}

// TestFileSiteMountPoint: a file on which something is mounted is refused before anything is stopped, also one of the same device.
func TestFileSiteMountPoint(t *testing.T) {
	dir := t.TempDir() + "/fs"
	mount(t, dir)
	ok(t, os.WriteFile(dir+"/from", []byte("new"), 0o600), os.WriteFile(dir+"/single.toml", nil, 0o600))
	if err := unix.Mount(dir+"/from", dir+"/single.toml", "", unix.MS_BIND, ""); err != nil {
		t.Fatal(err)
	}
	defer unix.Unmount(dir+"/single.toml", 0)
	s, err := OpenFileSite(dir + "/single.toml")
	ok(t, err)
	defer s.Close()
	if err := s.Check(); !errors.Is(err, ErrNotReplaceable) {
		t.Error(err)
	}
	if all, err := os.ReadDir(dir); err != nil || len(all) != 2 {
		t.Errorf("%v, %v", all, err)
	}
}
