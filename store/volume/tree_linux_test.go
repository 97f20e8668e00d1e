package volume_test

import (
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// richTree makes a tree with everything that a volume can hold and the caller may make. The socket
// has the name "socket".
func richTree(t testing.TB) string {
	t.Helper()
	dir := t.TempDir() + "/seedbank"
	tr := tree{t, dir}
	must(t, os.Mkdir(dir, 0o755))
	tr.files()
	tr.names()
	tr.links()
	tr.attributes()
	if os.Geteuid() == 0 {
		tr.rootOnly()
	}
	tr.times()
	return dir
}

// plainTree is richTree without what the reference tools lose, as seen with GNU tar 1.34 and
// libarchive 3.6.2: GNU tar writes every name of a pipe as a pipe of its own; libarchive gets
// fractions of a second before 1970 wrong in both directions, and doesn't decode the names of
// attributes that it encodes.
func plainTree(t testing.TB) string {
	t.Helper()
	dir := richTree(t)
	must(t, os.Remove(dir+"/links/pipe"), os.Chmod(dir+"/attrs/file", 0o600),
		unix.Removexattr(dir+"/attrs/file", "user.odd%=name"), os.Chmod(dir+"/attrs/file", 0o460))
	for name, sec := range map[string]int64{"certs/key.pem": -467_000_000, "links": 12345} {
		ts := unix.Timespec{Sec: sec}
		must(t, unix.UtimesNanoAt(unix.AT_FDCWD, dir+"/"+name, []unix.Timespec{ts, ts}, 0))
	}
	return dir
}

type tree struct {
	t   testing.TB
	dir string
}

func (tr tree) path(name string) string { return tr.dir + "/" + name }

func (tr tree) file(name, content string, perm os.FileMode) {
	tr.t.Helper()
	path := tr.path(name)
	must(tr.t, os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(content), perm), os.Chmod(path, perm))
}

func (tr tree) files() {
	tr.file("catalogue/varieties.db", strings.Repeat("Phaseolus vulgaris 'Hazel'\n", 40_000), 0o640)
	tr.file("catalogue/empty", "", 0o644)
	tr.file("certs/key.pem", "secret", 0o600)
	tr.file("spool/drop", "x", 0o666)
	tr.file("bin/tool", "#!/bin/sh\n", 0o755)
	must(tr.t,
		unix.Chmod(tr.path("spool"), 0o1777),
		unix.Chmod(tr.path("bin/tool"), 0o6755),
		os.Mkdir(tr.path("empty"), 0o711),
		os.Mkdir(tr.path("shut"), 0o700),
		unix.Mkfifo(tr.path("pipe"), 0o620))
	tr.sparse("catalogue/sparse.db")
	l, err := net.Listen("unix", tr.path("socket"))
	must(tr.t, err)
	l.(*net.UnixListener).SetUnlinkOnClose(false)
	must(tr.t, l.Close())
}

// sparse makes a file with a hole at the start, in the middle and at the end.
func (tr tree) sparse(name string) {
	f, err := os.Create(tr.path(name))
	must(tr.t, err)
	_, err1 := f.WriteAt([]byte("first"), 1<<20)
	_, err2 := f.WriteAt([]byte("second"), 5<<20+123)
	must(tr.t, err1, err2, f.Truncate(9<<20+7), f.Close())
}

func (tr tree) names() {
	long := strings.Repeat("long-", 40)
	for _, name := range []string{
		long + "/" + long + "/leaf", "new\nline", "not-utf8-\xff\xfe", "sämling", "-dash", "*?[x]", `back\slash`,
		"sp ace", "a", "a.b", "a-b", "tab\t", strings.Repeat("n", 255), strings.Repeat("p", 100), "per%cent=equal",
	} {
		tr.file("names/"+name, name, 0o644)
	}
	tr.file("names/a!", "sorts between a and a/", 0o644)
	tr.file("order/a/x", "", 0o644)
	tr.file("order/a.txt", "", 0o644)
	tr.file("order/a!", "", 0o644)
}

func (tr tree) links() {
	must(tr.t, os.Mkdir(tr.path("links"), 0o755))
	link := func(target, name string) { must(tr.t, os.Symlink(target, tr.path("links/"+name))) }
	link("nowhere", "dangling")
	link("/etc/passwd", "absolute")
	link("../../../../..", "up")
	link(strings.Repeat("deep/", 200)+"end", "longtarget")
	link("not-utf8-\xff", "bytes")
	link("sämling\n", "unicode")
	link("../empty", "folder")
	tr.file("links/b-file", "linked", 0o644)
	must(tr.t,
		os.Link(tr.path("links/b-file"), tr.path("links/a-first")),
		os.Link(tr.path("links/b-file"), tr.path("names/z-far")),
		unix.Linkat(unix.AT_FDCWD, tr.path("links/dangling"), unix.AT_FDCWD, tr.path("links/zz-same-link"), 0),
		os.Link(tr.path("pipe"), tr.path("links/pipe")))
}

func (tr tree) attributes() {
	tr.file("attrs/file", "with attributes", 0o440)
	must(tr.t, os.Chmod(tr.path("attrs/file"), 0o600))
	set := func(name, attr, value string) { tr.attribute(name, attr, value) }
	set("attrs/file", "user.plain", "value")
	set("attrs/file", "user.empty", "")
	set("attrs/file", "user.binary", "\x00\x01\n=\xff")
	set("attrs/file", "user.odd%=name", "odd")
	set("attrs/file", "user.long", strings.Repeat("v", 2000))
	set("attrs", "user.folder", "on a folder")
	must(tr.t, os.Chmod(tr.path("attrs/file"), 0o440))
	if tr.t.Failed() {
		return
	}
	tr.acl("-m", "u:4711:rw,g:1042:r,m::rw", "attrs/file")
	tr.acl("-m", "u:12:rwx", "attrs")
	must(tr.t, os.Mkdir(tr.path("attrs/inherit"), 0o750))
	tr.file("attrs/inherit/before", "no ACL of its own", 0o644)
	tr.acl("-d", "-m", "u:4711:rwx,o::-", "attrs/inherit")
}

func (tr tree) attribute(name, attr, value string) {
	tr.t.Helper()
	if err := unix.Lsetxattr(tr.path(name), attr, []byte(value), 0); err != nil {
		missing(tr.t, "a file system with attributes: "+err.Error())
	}
}

func (tr tree) acl(args ...string) {
	tr.t.Helper()
	last := len(args) - 1
	args[last] = tr.path(args[last])
	tool(tr.t, nil, "setfacl", args...)
}

func (tr tree) rootOnly() {
	tr.file("owned/by-number", "uid without a name", 0o604)
	tr.file("owned/by-name", "daemon", 0o640)
	tr.file("owned/setuid", "setuid", 0o755)
	tr.file("owned/capable", "capability", 0o755)
	tr.file("owned/none", "mode 0000", 0o000)
	must(tr.t,
		os.Lchown(tr.path("owned/by-number"), 3_000_000, 4_000_000_000),
		os.Lchown(tr.path("owned/by-name"), 1, 2),
		os.Lchown(tr.path("owned/setuid"), 1000, 1000),
		unix.Chmod(tr.path("owned/setuid"), 0o6750),
		os.Lchown(tr.path("links/absolute"), 33, 33),
		os.Lchown(tr.path("pipe"), 7, 7),
		os.Lchown(tr.path("owned"), 1000, 1001),
		unix.Chmod(tr.path("owned"), 0o2770),
		unix.Mknod(tr.path("owned/null"), unix.S_IFCHR|0o666, int(unix.Mkdev(1, 3))),
		unix.Mknod(tr.path("owned/loop"), unix.S_IFBLK|0o640, int(unix.Mkdev(7, 300))),
		os.Chmod(tr.path("shut"), 0o000))
	// struct vfs_cap_data, revision 2, with cap_net_bind_service (linux/capability.h).
	tr.attribute("owned/capable", "security.capability", "\x01\x00\x00\x02\x00\x04\x00\x00"+strings.Repeat("\x00", 12))
	tr.attribute("links/dangling", "trusted.on-link", "a link's own")
	tr.attribute("pipe", "trusted.on-pipe", "a pipe's own")
	tr.attribute("owned/null", "security.on-device", "a device's own")
}

func (tr tree) times() {
	for name, at := range map[string]time.Time{
		"catalogue/varieties.db": time.Unix(1_700_000_000, 123_456_789),
		"catalogue/empty":        time.Unix(0, 0),
		"spool/drop":             time.Unix(0, 1),
		"certs/key.pem":          time.Date(1955, 3, 14, 1, 2, 3, 500_000_001, time.UTC),
		"links/dangling":         time.Date(2001, 2, 3, 4, 5, 6, 7, time.UTC),
		"bin/tool":               time.Date(2300, 1, 1, 0, 0, 0, 999_999_999, time.UTC),
		"empty":                  time.Date(1999, 12, 31, 23, 59, 59, 1, time.UTC),
		"links":                  time.Date(1998, 12, 31, 23, 59, 59, 2, time.UTC),
		"pipe":                   time.Date(1997, 12, 31, 23, 59, 59, 3, time.UTC),
		".":                      time.Date(1996, 12, 31, 23, 59, 59, 4, time.UTC),
	} {
		ts := unix.NsecToTimespec(at.UnixNano())
		must(tr.t, unix.UtimesNanoAt(unix.AT_FDCWD, tr.path(name), []unix.Timespec{ts, ts}, unix.AT_SYMLINK_NOFOLLOW))
	}
}
