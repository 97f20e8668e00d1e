package volume

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// serviceUser is the other user: the service that owns what is restored.
const serviceUser = 64321

func needRootHere(t *testing.T) {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("needs root")
	}
}

// asService runs what the other user does, on a thread with that user's rights in the file system
// (setfsuid(2)).
func asService(t *testing.T, do func() error) error {
	t.Helper()
	failed := make(chan error)
	go func() {
		runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
		if err := errors.Join(unix.Setfsgid(serviceUser), unix.Setfsuid(serviceUser)); err != nil {
			failed <- err
			return
		}
		failed <- do()
	}()
	return <-failed
}

// openTemp gives a folder that is root's and that others may enter.
func openTemp(t *testing.T) string {
	t.Helper()
	dir, err := filepath.EvalSymlinks(t.TempDir())
	ok(t, err, os.Chmod(dir, 0o755), os.Chmod(filepath.Dir(dir), 0o755))
	return dir
}

// serviceFolder makes a folder of the other user.
func serviceFolder(t *testing.T, dir string) string {
	t.Helper()
	ok(t, os.Mkdir(dir, 0o755), os.Chmod(dir, 0o755), os.Chown(dir, serviceUser, serviceUser))
	return dir
}

// bait is a folder of root's that nobody may get at, known by descriptor.
type bait struct {
	path string
	open *os.File
	want string
}

// newBait makes a bait with a file in it.
func newBait(t *testing.T, path string) *bait {
	t.Helper()
	ok(t, os.Mkdir(path, 0o700), os.WriteFile(path+"/shadow", []byte("root's secret"), 0o600))
	return openBait(t, path)
}

func openBait(t *testing.T, path string) *bait {
	t.Helper()
	f, err := os.Open(path)
	ok(t, err)
	t.Cleanup(func() { f.Close() })
	b := &bait{path: path, open: f}
	b.want = b.look(t)
	return b
}

// look describes the folder that was opened, whatever it is called now: owners, modes, names, contents.
func (b *bait) look(t *testing.T) string {
	t.Helper()
	var st unix.Stat_t
	ok(t, unix.Fstat(int(b.open.Fd()), &st))
	text := fmt.Sprintf("%d:%d %o", st.Uid, st.Gid, st.Mode)
	fd, err := unix.Openat(int(b.open.Fd()), ".", unix.O_RDONLY|unix.O_DIRECTORY, 0)
	if err != nil {
		return text + " gone"
	}
	d := os.NewFile(uintptr(fd), "bait")
	defer d.Close()
	names, err := d.Readdirnames(-1)
	ok(t, err)
	slices.Sort(names)
	for _, name := range names {
		ok(t, unix.Fstatat(fd, name, &st, unix.AT_SYMLINK_NOFOLLOW))
		content, _ := os.ReadFile(procPath(fd) + "/" + name)
		text += fmt.Sprintf("; %s %d:%d %o %q", name, st.Uid, st.Gid, st.Mode, content)
	}
	return text
}

func (b *bait) check(t *testing.T) {
	t.Helper()
	if got := b.look(t); got != b.want {
		t.Errorf("%s of root's was %s, and is %s", b.path, b.want, got)
	}
}

// serviceStream is a capture of a folder of the other user.
func serviceStream(t *testing.T) []byte {
	t.Helper()
	src := openTemp(t)
	ok(t, os.WriteFile(src+"/catalogue.db", []byte("new"), 0o644), os.Mkdir(src+"/seeds", 0o755), os.WriteFile(src+"/seeds/rye", []byte("rye"), 0o644))
	for _, name := range []string{"", "/catalogue.db", "/seeds", "/seeds/rye"} {
		ok(t, os.Chown(src+name, serviceUser, serviceUser))
	}
	var out bytes.Buffer
	_, err := WriteTar(t.Context(), &out, src, ReadOptions{})
	ok(t, err)
	return out.Bytes()
}

// ofService reports whether the other user has a folder.
func ofService(t *testing.T, path string) bool {
	t.Helper()
	m, err := statPath(path)
	ok(t, err)
	return m.uid == serviceUser
}

// TestReplaceTwoVolumes restores two volumes into the place of a folder of the other user, who, once the first is
// written, puts a link to an empty folder of root's where the second will be.
func TestReplaceTwoVolumes(t *testing.T) {
	needRootHere(t)
	stream := serviceStream(t)
	for _, byPath := range []bool{false, true} {
		dir := openTemp(t)
		target := serviceFolder(t, dir+"/data")
		ok(t, os.WriteFile(target+"/old", nil, 0o600), os.Mkdir(dir+"/cron.d", 0o755))
		empty := openBait(t, dir+"/cron.d")
		plant := func(staging string) {
			err := asService(t, func() error { return os.Symlink(dir+"/cron.d", staging+"/v2") })
			if !errors.Is(err, fs.ErrPermission) {
				t.Errorf("the other user put a link into what is being built: %v", err)
			}
		}
		var err error
		if byPath {
			_, err = Replace(t.Context(), target, func(ctx context.Context, dir string) error {
				_, err := Extract(ctx, bytes.NewReader(stream), dir+"/v1", ExtractOptions{})
				plant(dir)
				_, err2 := Extract(ctx, bytes.NewReader(stream), dir+"/v2", ExtractOptions{})
				return errors.Join(err, err2)
			}, ReplaceOptions{})
		} else {
			_, err = ReplaceFolder(t.Context(), target, func(ctx context.Context, f *Folder) error {
				for _, name := range []string{"v1", "v2"} {
					v, err := f.Mkdir(name)
					ok(t, err)
					_, err = ExtractInto(ctx, bytes.NewReader(stream), v, ExtractOptions{})
					ok(t, err, v.Close())
					plant(f.Path())
				}
				return nil
			}, ReplaceOptions{})
		}
		ok(t, err)
		empty.check(t)
		if got, err := os.ReadFile(target + "/v2/catalogue.db"); string(got) != "new" || err != nil {
			t.Errorf("volume 2: %q, %v", got, err)
		}
		if !ofService(t, target) || !ofService(t, target+"/v2") {
			t.Error("the other user has not the folder restored")
		}
	}
}

// TestStagingIsPrivate restores one volume, whose folder is the other user's.
func TestStagingIsPrivate(t *testing.T) {
	needRootHere(t)
	stream := serviceStream(t)
	for name, make := range map[string]func(dir string){
		"full":  func(dir string) { serviceFolder(t, dir) },
		"mount": func(dir string) { mount(t, dir); ok(t, os.Chown(dir, serviceUser, serviceUser)) },
	} {
		target := openTemp(t) + "/data"
		make(target)
		_, err := ReplaceFolder(t.Context(), target, func(ctx context.Context, f *Folder) error {
			_, err := ExtractInto(ctx, bytes.NewReader(stream), f, ExtractOptions{})
			m, failed := f.d.stat(".")
			ok(t, failed)
			if m.uid != 0 || m.perm != 0o700 {
				t.Errorf("%s: what was built has owner %d and mode %04o before the exchange", name, m.uid, m.perm)
			}
			return err
		}, ReplaceOptions{})
		ok(t, err)
		m, err := statPath(target)
		ok(t, err)
		if m.uid != serviceUser || m.perm != 0o755 {
			t.Errorf("%s: owner %d, mode %04o", name, m.uid, m.perm)
		}
	}
}

// TestForeignLinks has links on the way that the other user made, or may change.
func TestForeignLinks(t *testing.T) {
	needRootHere(t)
	stream := serviceStream(t)
	dir := openTemp(t)
	etc := newBait(t, dir+"/etc")
	ok(t, os.Mkdir(dir+"/etc-above", 0o700))
	within := newBait(t, dir+"/etc-above/ssh")
	home := serviceFolder(t, dir+"/home")
	ok(t, asService(t, func() error {
		return errors.Join(os.Symlink(dir+"/etc", home+"/data"), os.Symlink(dir+"/etc-above", home+"/above"), os.Symlink("../etc/shadow", home+"/file"))
	}))
	ok(t, os.Symlink(dir+"/etc", home+"/of-root"), os.Mkdir(dir+"/tmp", 0o700), os.Chmod(dir+"/tmp", fs.ModeSticky|0o777), os.Symlink(dir+"/etc", dir+"/tmp/of-root"))
	ok(t, os.Symlink(dir+"/home/data", dir+"/to-theirs"), os.Symlink(dir+"/etc", dir+"/given"), os.Lchown(dir+"/given", serviceUser, serviceUser))
	nobody := func(context.Context, string) error { t.Error("built"); return nil }
	for _, path := range []string{home + "/data", home + "/of-root", dir + "/tmp/of-root", dir + "/to-theirs", dir + "/given", home + "/above/ssh"} {
		for name, act := range map[string]func() error{
			"replace": func() error { _, err := Replace(t.Context(), path, nobody, ReplaceOptions{}); return err },
			"recover": func() error { _, err := Recover(path); return err },
			"extract": func() error {
				_, err := Extract(t.Context(), bytes.NewReader(stream), path+"/new", ExtractOptions{})
				return err
			},
			"capture": func() error { _, err := WriteTar(t.Context(), &bytes.Buffer{}, path, ReadOptions{}); return err },
			"place": func() error {
				_, err := Place(t.Context(), path, func(context.Context, *Folder) error { t.Error("built"); return nil }, PlaceOptions{})
				return err
			},
			"open": func() error { _, err := OpenFile(path + "/shadow"); return err },
		} {
			err := act()
			var link *LinkError
			if !errors.As(err, &link) || !errors.Is(err, ErrForeignLink) || !strings.Contains(link.Error(), link.Leads) {
				t.Errorf("%s %s: %v", name, path, err)
			}
		}
	}
	if _, err := OpenFile(home + "/file"); !errors.Is(err, ErrForeignLink) {
		t.Errorf("a file: %v", err)
	}
	etc.check(t)
	within.check(t)
}

// TestOwnLinks has links that are followed, and ways that end elsewhere.
func TestOwnLinks(t *testing.T) {
	dir := openTemp(t)
	ok(t, os.MkdirAll(dir+"/a/b/c", 0o755), os.WriteFile(dir+"/a/b/c/f", []byte("x"), 0o600), os.Mkdir(dir+"/links", 0o755),
		os.Symlink("../a/./b", dir+"/links/rel"), os.Symlink(dir+"/links/rel/c/", dir+"/links/abs"), os.Symlink("../a/b/c/..", dir+"/links/up"),
		os.Symlink("loop", dir+"/links/loop"))
	t.Chdir(dir + "/links")
	for path, want := range map[string]string{
		"rel": "/a/b", dir + "/links/abs": "/a/b/c", "rel/c": "/a/b/c", "up": "/a/b", "up/c": "/a/b/c", "..": "", ".": "/links", "//" + dir + "/a//": "/a",
	} {
		above, name, real, err := openAbove(path)
		ok(t, err)
		id, err := idAt(above, name)
		ok(t, err, above.close())
		m, err := statPath(dir + want)
		ok(t, err)
		if real != dir+want || id != (inode{m.dev, m.ino}) {
			t.Errorf("%s leads to %s, not %s", path, real, dir+want)
		}
	}
	if f, err := OpenFile("rel/c/f"); err != nil {
		t.Error(err)
	} else {
		f.Close()
	}
	for path, want := range map[string]error{"loop": unix.ELOOP, "loop/x": unix.ELOOP, "rel/c/f/g": fs.ErrInvalid, "rel/none/x": fs.ErrNotExist} {
		if _, err := OpenFolder(path); err == nil || want != fs.ErrInvalid && !errors.Is(err, want) {
			t.Errorf("%s: %v", path, err)
		}
	}
	f, err := OpenFolder("/")
	ok(t, err, f.Close())
}

// TestProcLinks goes by links of /proc, whose text says nothing.
func TestProcLinks(t *testing.T) {
	dir := openTemp(t)
	ok(t, os.Mkdir(dir+"/sub", 0o700), os.WriteFile(dir+"/f", []byte("x"), 0o600))
	d, err := os.Open(dir)
	ok(t, err)
	defer d.Close()
	f, err := OpenFolder(procPath(int(d.Fd())) + "/sub")
	ok(t, err)
	id, err := f.d.id()
	ok(t, err, f.Close())
	if m, err := statPath(dir + "/sub"); err != nil || id != (inode{m.dev, m.ino}) {
		t.Errorf("another folder, %v", err)
	}
	file, err := OpenFile(fmt.Sprintf("/dev/fd/%d", d.Fd()))
	ok(t, err, file.Close())
	r, w, err := os.Pipe()
	ok(t, err)
	defer r.Close()
	ok(t, w.Close())
	file, err = OpenFile(procPath(int(r.Fd())))
	ok(t, err, file.Close())
}

// TestMadeFolderIsSwapped has another folder of root's put in the place of one that was just made.
func TestMadeFolderIsSwapped(t *testing.T) {
	needRootHere(t)
	for _, full := range []bool{false, true} {
		home := serviceFolder(t, openTemp(t)+"/home")
		ok(t, os.Mkdir(home+"/bait", 0o700))
		if full {
			ok(t, os.WriteFile(home+"/bait/f", nil, 0o600))
		}
		b := openBait(t, home+"/bait")
		swap := func(with string) disk {
			return disk{made: func() {
				ok(t, asService(t, func() error {
					return errors.Join(os.Rename(home+"/new", home+"/away"), os.Rename(home+"/"+with, home+"/new"))
				}))
			}}
		}
		d, err := openDoor(home)
		ok(t, err)
		defer d.close()
		if _, err := swap("bait").mkdir(d, "new"); !errors.Is(err, ErrMeddled) {
			t.Errorf("root's: %v", err)
		}
		b.check(t)
		ok(t, os.RemoveAll(home+"/new"), os.RemoveAll(home+"/away"), asService(t, func() error { return os.Mkdir(home+"/theirs", 0o700) }))
		if _, err := swap("theirs").mkdir(d, "new"); !errors.Is(err, ErrMeddled) {
			t.Errorf("theirs: %v", err)
		}
		ok(t, os.RemoveAll(home+"/new"), os.RemoveAll(home+"/away"))
		fresh := disk{made: func() {
			ok(t, asService(t, func() error { return errors.Join(os.Rename(home+"/new", home+"/away"), os.Mkdir(home+"/new", 0o700)) }))
		}}
		if _, err := fresh.mkdir(d, "new"); !errors.Is(err, ErrMeddled) {
			t.Errorf("theirs, made since: %v", err)
		}
	}
}

// meddling is what the other user does in a folder of theirs: each puts a bait where something of Replace's
// or the target is.
var meddling = map[string]func(home, bait string) error{
	"bait for target": func(home, bait string) error {
		return errors.Join(os.Rename(home+"/data", home+"/away"), os.Rename(home+"/bait", home+"/data"))
	},
	"link for target": func(home, bait string) error {
		return errors.Join(os.Rename(home+"/data", home+"/away"), os.Symlink(bait, home+"/data"))
	},
	"bait for staging": func(home, bait string) error {
		return eachOurs(home, func(name string) error {
			return errors.Join(os.Rename(name, home+"/away"), os.Rename(home+"/bait", name))
		})
	},
	"link for staging": func(home, bait string) error {
		return eachOurs(home, func(name string) error {
			return errors.Join(os.Rename(name, home+"/away"), os.Symlink(bait, name))
		})
	},
	"exchange": func(home, bait string) error {
		return eachOurs(home, func(name string) error {
			return unix.Renameat2(unix.AT_FDCWD, name, unix.AT_FDCWD, home+"/data", unix.RENAME_EXCHANGE)
		})
	},
}

// eachOurs calls do for the folder of Replace's.
func eachOurs(home string, do func(name string) error) error {
	found, err := filepath.Glob(home + "/data.*")
	if err != nil || len(found) == 0 {
		return err
	}
	return do(found[0])
}

// TestReplaceMeddled has the other user own the folder above the target, and move something before each
// call of Replace in turn.
func TestReplaceMeddled(t *testing.T) {
	needRootHere(t)
	stream := serviceStream(t)
	build := func(ctx context.Context, f *Folder) error {
		_, err := ExtractInto(ctx, bytes.NewReader(stream), f, ExtractOptions{})
		return err
	}
	for name, meddle := range meddling {
		for _, discard := range []bool{false, true} {
			for k, fired := 0, true; fired; k++ {
				dir := openTemp(t)
				home := serviceFolder(t, dir+"/home")
				serviceFolder(t, home+"/data")
				ok(t, os.WriteFile(home+"/data/old", nil, 0o600))
				baits := []*bait{newBait(t, dir+"/etc"), newBait(t, home+"/bait")}
				f := &faulty{mover: disk{}, at: k, hook: func() {
					ok(t, asService(t, func() error { return meddle(home, dir+"/etc") }))
				}}
				_, err := replaceFolder(t.Context(), home+"/data", build, ReplaceOptions{DiscardPrevious: discard}, f)
				for _, b := range baits {
					b.check(t)
				}
				fired = f.fired != ""
				if err == nil && fired && f.fired != "removeEmpty" && f.fired != "removeAll" && f.fired != "mkdir" && f.fired != "flush" {
					got, err := os.ReadFile(home + "/data/catalogue.db")
					if string(got) != "new" || err != nil {
						t.Errorf("success, and in place is %q, %v", got, err)
					}
				}
				if !fired && (err != nil || !ofService(t, home+"/data")) {
					t.Errorf("undisturbed: %v", err)
				}
				if t.Failed() {
					t.Fatalf("%s before call %d, %s, discard %v: %v", name, k, f.fired, discard, err)
				}
			}
		}
	}
}

// TestRecoverPlanted has what a killed Replace would leave in a mount point, but of the other user.
func TestRecoverPlanted(t *testing.T) {
	needRootHere(t)
	for _, kind := range []string{"in-", "out-"} {
		for _, asLink := range []bool{false, true} {
			dir := openTemp(t) + "/v"
			mount(t, dir)
			ok(t, os.Chmod(dir, 0o777))
			b := newBait(t, dir+"/bait")
			name := dir + "/." + kind + someStamp
			ok(t, asService(t, func() error {
				made := errors.Join(os.Mkdir(dir+"/theirs", 0o700), os.Mkdir(dir+"/theirs/tree", 0o755), os.WriteFile(dir+"/theirs/tree/f", nil, 0o600),
					os.Mkdir(dir+"/.before-"+someStamp, 0o700))
				if asLink {
					return errors.Join(made, os.Symlink("theirs", name))
				}
				return errors.Join(made, os.Rename(dir+"/theirs", name))
			}))
			found, err := Recover(dir)
			m, failed := statPath(dir)
			ok(t, failed)
			if err != nil || found.Completed || found.Undone || m.uid != 0 || m.perm != 0o777 || exists(dir+"/f") {
				t.Errorf("%s: %+v, %v; the root of the mount is %d's, %04o", kind, found, err, m.uid, m.perm)
			}
			b.check(t)
		}
	}
}

// TestPlaceMeddled has the other user put links, and folders of root's, where members are placed.
func TestPlaceMeddled(t *testing.T) {
	needRootHere(t)
	stream := serviceStream(t)
	for name, meddle := range map[string]func(home, bait, part string) error{
		"a link for a folder": func(home, bait, part string) error {
			return errors.Join(os.RemoveAll(home+"/seeds"), os.Symlink(bait, home+"/seeds"))
		},
		"root's for a folder": func(home, bait, part string) error {
			return errors.Join(os.RemoveAll(home+"/seeds"), os.Rename(home+"/bait", home+"/seeds"))
		},
		"a link for the part": func(home, bait, part string) error {
			return errors.Join(os.Rename(part, home+"/away"), os.Symlink(bait, part))
		},
		"root's for the part": func(home, bait, part string) error {
			return errors.Join(os.Rename(part, home+"/away"), os.Rename(home+"/bait", part))
		},
	} {
		for _, discard := range []bool{false, true} {
			dir := openTemp(t)
			home := serviceFolder(t, dir+"/data")
			serviceFolder(t, home+"/seeds")
			baits := []*bait{newBait(t, dir+"/etc"), newBait(t, home+"/bait")}
			done, err := Place(t.Context(), home, func(ctx context.Context, f *Folder) error {
				_, err := ExtractInto(ctx, bytes.NewReader(stream), f, ExtractOptions{})
				if m, failed := f.d.stat("."); failed != nil || m.uid != 0 || m.perm != 0o700 {
					t.Errorf("the part is %d's, %04o, %v", m.uid, m.perm, failed)
				}
				ok(t, asService(t, func() error { return meddle(home, dir+"/etc", f.Path()) }))
				return err
			}, PlaceOptions{DiscardPrevious: discard, Now: someDay})
			for _, b := range baits {
				b.check(t)
			}
			if t.Failed() {
				t.Fatalf("%s, discard %v: %+v, %v", name, discard, done, err)
			}
		}
	}
}

// TestPlaceDeep places a member whose path is longer than the system takes (PATH_MAX of linux/limits.h).
func TestPlaceDeep(t *testing.T) {
	deep := strings.TrimSuffix(strings.Repeat(strings.Repeat("d", 200)+"/", 30), "/")
	var content bytes.Buffer
	ok(t, writeDeep(t, &content, deep))
	dir := openTemp(t)
	for i := range 2 {
		done, err := Place(t.Context(), dir, func(ctx context.Context, f *Folder) error {
			_, err := ExtractInto(ctx, bytes.NewReader(content.Bytes()), f, ExtractOptions{})
			return err
		}, PlaceOptions{Now: someDay})
		ok(t, err)
		if done.Entries != 1 || len(done.Kept) != i || i == 1 && done.Kept[0] != deep+"/f.before-"+someStamp {
			t.Errorf("%d entries, %d kept", done.Entries, len(done.Kept))
		}
	}
	d, err := openDoor(dir)
	ok(t, err)
	defer d.close()
	ok(t, discardAt(d, strings.Repeat("d", 200), inode{}))
	if names, _ := namesIn(dir); len(names) > 0 {
		t.Errorf("left are %q", names)
	}
}

// writeDeep writes a stream with one file f.
func writeDeep(t *testing.T, w *bytes.Buffer, deep string) error {
	t.Helper()
	src := openTemp(t)
	d, err := openDoor(src)
	ok(t, err)
	for name := range strings.SplitSeq(deep, "/") {
		ok(t, d.mkdir(name, 0o700))
		child, err := d.child(name)
		ok(t, err, d.close())
		d = child
	}
	f, err := d.create("f", 0o600)
	ok(t, err, f.close(), d.close())
	_, err = WriteTar(t.Context(), w, src, ReadOptions{})
	return err
}

// TestDiscardDeep removes a tree that is deeper than folders are opened within each other, and forbids
// it, and has a link out of it.
func TestDiscardDeep(t *testing.T) {
	dir := openTemp(t)
	b := newBait(t, dir+"/etc")
	ok(t, os.Mkdir(dir+"/old", 0o700))
	d, err := openDoor(dir + "/old")
	ok(t, err)
	for range 3 * openAtOnce {
		ok(t, d.mkdir("d", 0o700), d.symlink(dir+"/etc", "link"))
		child, err := d.child("d")
		ok(t, err, d.chmod(0o500), d.close())
		d = child
	}
	ok(t, d.chmod(0), d.close())
	top, err := openDoor(dir)
	ok(t, err)
	defer top.close()
	id, err := idAt(top, "old")
	ok(t, err)
	if err := discardAt(top, "old", inode{id.dev, id.ino + 1}); !errors.Is(err, ErrMeddled) || !exists(dir+"/old/d") {
		t.Errorf("another: %v", err)
	}
	old, err := openLocked(top, "old")
	ok(t, err)
	c := &discarding{top: old, dev: id.dev, mount: old.mountID()}
	ok(t, c.empty(old, 0), old.close())
	if c.moved == 0 {
		t.Error("all folders were open at once")
	}
	ok(t, discardAt(top, "old", id))
	if exists(dir + "/old") {
		t.Error("it is still there")
	}
	b.check(t)
}

// TestGuarded has a folder of root's that the other user moved to where something is restored: it is
// neither filled nor removed, but may be moved aside as a whole. In a sticky folder nobody can have moved it.
func TestGuarded(t *testing.T) {
	needRootHere(t)
	stream := serviceStream(t)
	build := func(ctx context.Context, f *Folder) error {
		_, err := ExtractInto(ctx, bytes.NewReader(stream), f, ExtractOptions{})
		return err
	}
	dir := openTemp(t)
	home := serviceFolder(t, dir+"/home")
	b := newBait(t, home+"/data")
	if _, err := Place(t.Context(), home+"/data", build, PlaceOptions{}); !errors.Is(err, ErrGuarded) {
		t.Errorf("filled: %v", err)
	}
	if _, err := ReplaceFolder(t.Context(), home+"/data", build, ReplaceOptions{DiscardPrevious: true}); !errors.Is(err, ErrGuarded) {
		t.Errorf("removed: %v", err)
	}
	b.check(t)
	r, err := ReplaceFolder(t.Context(), home+"/data", build, ReplaceOptions{})
	ok(t, err)
	b.check(t)
	if m, err := statPath(r.Previous); err != nil || m.uid != 0 {
		t.Errorf("kept is %+v, %v", m, err)
	}
	ok(t, os.Mkdir(dir+"/tmp", 0o755), os.Chmod(dir+"/tmp", fs.ModeSticky|0o777))
	newBait(t, dir+"/tmp/look")
	if _, err := Place(t.Context(), dir+"/tmp/look", build, PlaceOptions{}); err != nil {
		t.Errorf("in a sticky folder: %v", err)
	}
}

// TestPlaceKeepsRoots places a file where a folder of root's may have been moved: it is kept, though previous
// ones are not wanted.
func TestPlaceKeepsRoots(t *testing.T) {
	needRootHere(t)
	stream := serviceStream(t)
	home := serviceFolder(t, openTemp(t)+"/home")
	b := newBait(t, home+"/catalogue.db")
	done, err := Place(t.Context(), home, func(ctx context.Context, f *Folder) error {
		_, err := ExtractInto(ctx, bytes.NewReader(stream), f, ExtractOptions{})
		return err
	}, PlaceOptions{DiscardPrevious: true, Now: someDay})
	ok(t, err)
	b.check(t)
	if len(done.Kept) != 1 || done.Kept[0] != "catalogue.db.before-"+someStamp {
		t.Errorf("kept are %q", done.Kept)
	}
}
