package mounts

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestParseMountinfo: the first line is the example of proc_pid_mountinfo(5); "\040" is its way to write a space.
func TestParseMountinfo(t *testing.T) {
	const text = `36 35 98:0 /mnt1 /mnt/parent rw,noatime master:1 - ext3 /dev/root rw,errors=continue
21 1 0:20 / /mnt/seed\040bank rw shared:5 propagate_from:2 - nfs4 hazel:/seeds rw,vers=4.2
22 1 0:21 / /mnt/none rw - tmpfs none rw
cut short
`
	got, err := parseMountinfo(strings.NewReader(text))
	want := Table{{"/mnt/parent", "ext3", "/dev/root"}, {"/mnt/seed bank", "nfs4", "hazel:/seeds"}, {"/mnt/none", "tmpfs", "none"}}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("%q, %v", got, err)
	}
}

// TestParseFstab: after fstab(5).
func TestParseFstab(t *testing.T) {
	const text = `# comment
LABEL=t-home2   /home      ext4    defaults,auto_da_alloc      0  2
//hazel/seeds	/mnt/seed\040bank	cifs	noauto

/swap none swap sw 0 0
`
	got, err := parseFstab(strings.NewReader(text))
	if want := (Table{{"/home", "ext4", "LABEL=t-home2"}, {"/mnt/seed bank", "cifs", "//hazel/seeds"}}); err != nil || !slices.Equal(got, want) {
		t.Errorf("%q, %v", got, err)
	}
}

func TestOf(t *testing.T) {
	table := Table{{"/", "ext4", "a"}, {"/mnt", "autofs", "b"}, {"/mnt/share", "nfs", "c"}, {"/mnt/share", "nfs", "d"}, {"/mnt/sharex", "nfs", "e"}}
	for path, want := range map[string]string{
		"/": "a", "/srv/x": "a", "/mnt": "b", "/mnt/other": "b", "/mnt/share": "d", "/mnt/share/kist": "d", "/mnt/sharex/kist": "e", "/mntx": "a",
	} {
		if got := table.Of(path); got.Source != want {
			t.Errorf("%s lies on %q, not %q", path, got.Source, want)
		}
	}
	if got := (Table{}).Of("/x"); got != (Mount{}) {
		t.Error(got)
	}
}

func TestLacks(t *testing.T) {
	planned := Table{{"/", "ext4", "a"}, {"/mnt/share", "nfs", "hazel:/seeds"}}
	tests := []struct {
		mounted Table
		path    string
		want    bool
	}{
		{Table{{"/", "ext4", "a"}}, "/mnt/share/kist", true},
		{Table{{"/", "ext4", "a"}}, "/mnt/share", true},
		{Table{{"/", "ext4", "a"}}, "/mnt/sharex", false},
		{Table{{"/", "ext4", "a"}}, "/srv", false},
		{Table{{"/", "ext4", "a"}, {"/mnt/share", "autofs", "x"}}, "/mnt/share/kist", false},
		{nil, "/mnt/share/kist", false},
	}
	for _, test := range tests {
		if m, got := test.mounted.Lacks(planned, test.path); got != test.want || got && m.Source != "hazel:/seeds" {
			t.Errorf("%q of %q: %v, %v", test.path, test.mounted, m, got)
		}
	}
}

// TestResolve: links are followed as the system does, and nothing on a share is looked at.
func TestResolve(t *testing.T) {
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	at := func(parts ...string) string { return filepath.Join(append([]string{dir}, parts...)...) }
	for _, folder := range []string{"a/b", "share"} {
		if err := os.MkdirAll(at(folder), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	for link, target := range map[string]string{"up": "a/b/../../a", "whole": at("a"), "chain": "up/b", "ring": "ring", "away": "share/x", "share/x": "../a"} {
		if err := os.Symlink(target, at(link)); err != nil {
			t.Skip(err)
		}
	}
	here := Table{{"/", "ext4", "disk"}}
	for _, path := range []string{"", "a/b", "up", "up/b", "whole/b", "chain", "chain/none/deeper", "away"} {
		want, err := filepath.EvalSymlinks(at(path))
		if err != nil { // of what is not there
			want = at("a/b/none/deeper")
		}
		if got := here.Resolve(at(path)); got != want {
			t.Errorf("%s is %s, not %s", path, got, want)
		}
	}
	shared := append(here, Mount{at("share"), "nfs4", "hazel:/seeds"})
	if got := shared.Resolve(at("away")); got != at("share", "x") {
		t.Errorf("it looked at %s", got)
	}
	if got := here.Resolve(at("ring")); got != at("ring") {
		t.Errorf("%s", got)
	}
}

func TestNotes(t *testing.T) {
	n := Notes{filepath.Join(t.TempDir(), "mounted")}
	if _, err := n.At("/mnt"); !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
	for _, noted := range []Noted{
		{"/mnt", "id", Mount{"/mnt", "nfs4", "hazel:/seeds"}},
		{"/mnt\xff", "id", Mount{"/mnt\xff", "nfs4", "hazel:/seeds"}},
		{"/mnt", "other", Mount{"/", "ext4", "/dev/sda1"}},
	} {
		if err := n.Note(noted); err != nil {
			t.Fatal(err)
		}
		if got, err := n.At(noted.Path); got != noted || err != nil {
			t.Errorf("%q, %v", got, err)
		}
	}
	if err := os.WriteFile(n.file("/mnt"), []byte("{}"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := n.At("/mnt"); !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
}
