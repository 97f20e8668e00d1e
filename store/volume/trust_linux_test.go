package volume

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// TestTrustedChangeTimes: a change time tells of changes where its file system keeps it; never where there is
// none, or no inode; and where files may lie on another device than their folder, only if the system does so.
func TestTrustedChangeTimes(t *testing.T) {
	now := time.Unix(1_700_000_000, 0)
	const trusted, unknown = 7, 9
	for name, c := range map[string]struct {
		folder clock
		is     meta
		want   bool
	}{
		"kept":                       {clockKept, meta{dev: trusted, ino: 1, ctime: now}, true},
		"no change time":             {clockKept, meta{dev: trusted, ino: 1}, false},
		"no inode":                   {clockKept, meta{dev: trusted, ctime: now}, false},
		"on another device":          {clockKept, meta{dev: unknown, ino: 1, ctime: now}, false},
		"layered, on another device": {clockLayered, meta{dev: unknown, ino: 1, ctime: now}, true},
		"layered, no change time":    {clockLayered, meta{dev: unknown, ino: 1}, false},
	} {
		times := changeTimes{trusted: map[uint64]bool{trusted: true}}
		if got := times.trusts(&sharedFolder{dev: trusted, clock: c.folder}, &c.is); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// TestRoundedTimesAreNotApart: a change time that is the modification time, rounded to whole seconds or to two,
// shows no clock of its own.
func TestRoundedTimesAreNotApart(t *testing.T) {
	at := time.Unix(1_700_000_000, 0)
	for by, want := range map[time.Duration]bool{
		0: false, time.Second: false, -2 * time.Second: false, 2 * time.Second: false, 2*time.Second + 1: true, -time.Hour: true,
	} {
		if got := apart(&meta{mtime: at, ctime: at.Add(by)}); got != want {
			t.Errorf("by %v: %v", by, got)
		}
	}
}

// TestPinnedFolderStaysOpen: a deep folder that is in use is not closed, however many others are opened since.
func TestPinnedFolderStaysOpen(t *testing.T) {
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dir, strings.Repeat("d/", maxOpen+10)), 0o755); err != nil {
		t.Fatal(err)
	}
	f, err := openDoor(dir)
	if err != nil {
		t.Fatal(err)
	}
	var deep deepFolders
	all := []*sharedFolder{share(f)}
	add := func() {
		last := all[len(all)-1]
		c, err := pinned(last, func(f *folder) (*folder, error) { return f.child("d") })
		if err != nil {
			t.Fatal(err)
		}
		d, err := deep.add(last, "d", c)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, d)
	}
	add()
	first, err := all[1].pin()
	if err != nil {
		t.Fatal(err)
	}
	for range maxOpen + 5 {
		add()
	}
	if m, err := first.stat("."); err != nil || all[1].f != first || all[1].id != (inode{m.dev, m.ino}) {
		t.Errorf("a folder in use was closed: %v", err)
	}
	all[1].unpin()
	add()
	if all[1].f != nil {
		t.Error("a folder that nobody uses any more stays open")
	}
	for i := len(all) - 1; i >= 0; i-- {
		all[i].release()
	}
}

// TestMadeFolderIsEmpty has a full folder of the caller's, from elsewhere, put in the place of one that was just
// made where others may write: it is not taken.
func TestMadeFolderIsEmpty(t *testing.T) {
	top := t.TempDir()
	home, elsewhere := filepath.Join(top, "home"), filepath.Join(top, "elsewhere")
	for _, err := range []error{
		os.Mkdir(home, 0o700), os.Chmod(home, 0o777), os.Mkdir(elsewhere, 0o700), os.WriteFile(filepath.Join(elsewhere, "f"), nil, 0o600),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	at, err := openDoor(home)
	if err != nil {
		t.Fatal(err)
	}
	defer at.close()
	d, err := makeFolder(at, "new", func() {
		if err := errors.Join(os.Rename(filepath.Join(home, "new"), filepath.Join(home, "away")), os.Rename(elsewhere, filepath.Join(home, "new"))); err != nil {
			t.Error(err)
		}
	})
	if !errors.Is(err, ErrMeddled) {
		t.Errorf("a full folder was taken: %v, %v", d, err)
	}
	if _, err := os.Stat(filepath.Join(home, "new", "f")); err != nil {
		t.Errorf("what was in it: %v", err)
	}
}

// TestMadeFolderHasNoACL: what the folder above hands down to a folder that is made lets nobody else in.
func TestMadeFolderHasNoACL(t *testing.T) {
	home := t.TempDir()
	// The default list of acl(5), as xattr.h of Linux has it: owner rwx, user 12345 rwx, group ---, mask rwx, other ---.
	acl := "\x02\x00\x00\x00" + "\x01\x00\x07\x00\xff\xff\xff\xff" + "\x02\x00\x07\x00\x39\x30\x00\x00" +
		"\x04\x00\x00\x00\xff\xff\xff\xff" + "\x10\x00\x07\x00\xff\xff\xff\xff" + "\x20\x00\x00\x00\xff\xff\xff\xff"
	if err := unix.Setxattr(home, attrACLDefault, []byte(acl), 0); err != nil {
		t.Skipf("no ACLs here: %v", err)
	}
	at, err := openDoor(home)
	if err != nil {
		t.Fatal(err)
	}
	defer at.close()
	d, err := makeFolder(at, "new", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer d.close()
	for _, attr := range []string{attrACLAccess, attrACLDefault} {
		if n, err := unix.Getxattr(filepath.Join(home, "new"), attr, nil); err == nil {
			t.Errorf("%s of %d bytes was handed down", attr, n)
		}
	}
	if is, err := os.Stat(filepath.Join(home, "new")); err != nil || is.Mode().Perm() != 0o700 {
		t.Errorf("its mode: %v, %v", is.Mode(), err)
	}
}
