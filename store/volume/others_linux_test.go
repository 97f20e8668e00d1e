package volume

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"testing"

	"golang.org/x/sys/unix"
)

// TestOthersWrite has folders in which others may change what is there, or not.
func TestOthersWrite(t *testing.T) {
	needRootHere(t)
	acl := encodeACL([]aclEntry{{aclUserObj, 7, aclNoID}, {aclUser, 7, serviceUser}, {aclGroupObj, 5, aclNoID}, {aclMask, 7, aclNoID}, {aclOther, 5, aclNoID}})
	for name, c := range map[string]struct {
		uid, gid int
		perm     fs.FileMode
		acl      string
		want     bool
	}{
		"root's":                          {0, 0, 0o755, "", false},
		"of another user":                 {serviceUser, 0, 0o755, "", true},
		"root's, open to all":             {0, 0, 0o757, "", true},
		"open to all, and sticky":         {0, 0, fs.ModeSticky | 0o777, "", true},
		"open to the group of its user":   {0, 0, 0o775, "", false},
		"open to another group":           {0, serviceUser, 0o775, "", true},
		"another group's, not open":       {0, serviceUser, 0o755, "", false},
		"open to somebody else by an ACL": {0, 0, 0o775, acl, true},
	} {
		dir := openTemp(t) + "/d"
		ok(t, os.Mkdir(dir, 0o755), os.Chown(dir, c.uid, c.gid), os.Chmod(dir, c.perm))
		if c.acl != "" {
			if err := unix.Setxattr(dir, attrACLAccess, []byte(c.acl), 0); errors.Is(err, unix.ENOTSUP) {
				continue
			} else {
				ok(t, err)
			}
		}
		d, err := openDoor(dir)
		ok(t, err)
		if got := othersWrite(d); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
		ok(t, d.close())
	}
}

// TestOwnPrivate takes a folder for the caller's own only if nobody else may enter it.
func TestOwnPrivate(t *testing.T) {
	needRootHere(t)
	for name, c := range map[string]struct {
		uid  int
		perm fs.FileMode
		want bool
	}{
		"root's, closed":           {0, 0o700, true},
		"root's, others may look":  {0, 0o704, false},
		"root's, its group enters": {0, 0o710, false},
		"of another user":          {serviceUser, 0o700, false},
	} {
		dir := openTemp(t) + "/d"
		ok(t, os.Mkdir(dir, 0o700), os.Chown(dir, c.uid, 0), os.Chmod(dir, c.perm))
		d, err := openDoor(dir)
		ok(t, err)
		if got := ownPrivate(d); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
		ok(t, d.close())
	}
}

// TestDiscardLocksOut stops at a mount in a tree of the other user: what is mounted stays, be it of the same
// device, and each folder on the way there was taken away from the other user first.
func TestDiscardLocksOut(t *testing.T) {
	needRootHere(t)
	for _, deep := range []int{1, openAtOnce + 2} {
		dir := openTemp(t)
		b := newBait(t, dir+"/etc")
		serviceFolder(t, dir+"/old")
		folders := []string{dir + "/old"}
		for range deep {
			folders = append(folders, serviceFolder(t, folders[len(folders)-1]+"/d"))
		}
		at := folders[len(folders)-1] + "/m"
		ok(t, os.Mkdir(at, 0o755))
		if err := unix.Mount(dir+"/etc", at, "", unix.MS_BIND, ""); err != nil {
			t.Skip("needs a mount: ", err)
		}
		var open []*folder
		for _, path := range folders {
			d, err := openDoor(path)
			ok(t, err)
			open = append(open, d)
		}
		top, err := openDoor(dir)
		ok(t, err)
		err = discardAt(top, "old", inode{})
		var mounted string
		for i, d := range open {
			if m, err := d.stat("."); err != nil || m.uid != 0 || m.perm != 0o700 {
				t.Errorf("folder %d of %d is %d's, %04o, %v", i, deep, m.uid, m.perm, err)
			}
			mounted, _ = os.Readlink(procPath(d.fd))
		}
		ok(t, unix.Unmount(mounted+"/m", 0))
		if !errors.Is(err, ErrNotReplaceable) {
			t.Errorf("%d deep: %v", deep, err)
		}
		b.check(t)
		for _, d := range append(open, top) {
			ok(t, d.close())
		}
	}
}

// TestGuardedWithin places members into folders of root's that lie where the other user may have moved them,
// and folders in those: what belongs to the other user is not put there.
func TestGuardedWithin(t *testing.T) {
	needRootHere(t)
	for _, path := range []string{"/d", "/d/e"} {
		home := serviceFolder(t, openTemp(t)+"/home")
		ok(t, os.MkdirAll(home+path, 0o755), os.Chmod(home+"/d", 0o755))
		src := openTemp(t)
		ok(t, os.MkdirAll(src+path, 0o755), os.WriteFile(src+path+"/f", []byte("theirs"), 0o644), os.Chown(src+path+"/f", serviceUser, serviceUser))
		var stream bytes.Buffer
		_, err := WriteTar(t.Context(), &stream, src, ReadOptions{})
		ok(t, err)
		_, err = Place(t.Context(), home, func(ctx context.Context, f *Folder) error {
			_, err := ExtractInto(ctx, &stream, f, ExtractOptions{})
			return err
		}, PlaceOptions{})
		if !errors.Is(err, ErrGuarded) || exists(home+path+"/f") {
			t.Errorf("%s: %v, put there: %v", path, err, exists(home+path+"/f"))
		}
	}
}

// TestGuardedFolders has folders that others may have moved to where they are, or not.
func TestGuardedFolders(t *testing.T) {
	needRootHere(t)
	for name, c := range map[string]struct {
		uid        int // of the folder above
		above, dir fs.FileMode
		want       bool
	}{
		"in root's":                         {0, 0o755, 0o755, false},
		"in the other user's":               {serviceUser, 0o755, 0o755, true},
		"in one open to all":                {0, 0o777, 0o755, true},
		"in a sticky one of root's":         {0, fs.ModeSticky | 0o777, 0o755, false},
		"in a sticky one of the other user": {serviceUser, fs.ModeSticky | 0o777, 0o755, true},
		"others may write in it":            {serviceUser, 0o755, 0o777, false},
	} {
		top := openTemp(t) + "/top"
		ok(t, os.Mkdir(top, 0o755), os.Mkdir(top+"/d", 0o755), os.Chmod(top+"/d", c.dir), os.Chown(top, c.uid, 0), os.Chmod(top, c.above))
		above, err := openDoor(top)
		ok(t, err)
		d, err := above.child("d")
		ok(t, err)
		if got := guarded(above, d); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
		ok(t, d.close(), above.close())
	}
}
