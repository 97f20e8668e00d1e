package volume_test

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"testing"

	"github.com/kistarchive/kist/store/volume"
	"golang.org/x/sys/unix"
)

// readWhile reads dir and calls do once, when the member named at is about to be written: its
// folder is listed and the file itself is open by then.
func readWhile(t *testing.T, dir, at string, do func()) (map[string]string, *volume.ReadReport) {
	t.Helper()
	var out bytes.Buffer
	report, err := volume.WriteTar(context.Background(), &out, dir, volume.ReadOptions{
		OnEntry: func(path string, _ int64) {
			if path == at {
				do()
			}
		}})
	must(t, err)
	found := make(map[string]string)
	for r := tar.NewReader(&out); ; {
		h, err := r.Next()
		if err == io.EOF {
			return found, report
		}
		must(t, err)
		content, err := io.ReadAll(r)
		must(t, err)
		found[h.Name] = string(content)
	}
}

func threeFiles(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"a", "b", "c"} {
		must(t, os.WriteFile(dir+"/"+name, []byte("0123456789"), 0o600))
	}
	return dir
}

func TestFilesThatChange(t *testing.T) {
	secret := t.TempDir() + "/secret"
	must(t, os.WriteFile(secret, []byte("outside"), 0o600))
	dir := ""
	remove := func(name string) { must(t, os.Remove(dir+"/"+name)) }
	for name, c := range map[string]struct {
		at      string
		do      func()
		b       string // content of b in the stream, empty if it must not be in it
		changed string
		skipped string
	}{
		"grows":            {"b", func() { must(t, os.WriteFile(dir+"/b", []byte("0123456789abc"), 0)) }, "0123456789", "b", ""},
		"shrinks":          {"b", func() { must(t, os.Truncate(dir+"/b", 4)) }, "0123\x00\x00\x00\x00\x00\x00", "b", ""},
		"is empty":         {"b", func() { must(t, os.Truncate(dir+"/b", 0)) }, "\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00", "b", ""},
		"new times":        {"b", func() { must(t, unix.Utimes(dir+"/b", make([]unix.Timeval, 2))) }, "0123456789", "b", ""},
		"vanishes":         {"a", func() { remove("b") }, "", ".", "b"},
		"becomes a link":   {"a", func() { remove("b"); must(t, os.Symlink(secret, dir+"/b")) }, "", ".", "b"},
		"becomes a folder": {"a", func() { remove("b"); must(t, os.Mkdir(dir+"/b", 0o700)) }, "", ".", "b"},
		"becomes a pipe":   {"a", func() { remove("b"); must(t, unix.Mkfifo(dir+"/b", 0o600)) }, "", ".", "b"},
		"gets a neighbour": {"a", func() { must(t, os.WriteFile(dir+"/b2", nil, 0o600)) }, "0123456789", ".", ""},
	} {
		t.Run(name, func(t *testing.T) {
			dir = threeFiles(t)
			found, report := readWhile(t, dir, c.at, c.do)
			if got := found["./b"]; got != c.b {
				t.Errorf("b is %q in the stream, want %q", got, c.b)
			}
			if found["./a"] != "0123456789" || found["./c"] != "0123456789" {
				t.Errorf("the others are %q", found)
			}
			if first(report.Changed) != c.changed || first(report.Skipped) != c.skipped {
				t.Errorf("report %+v", report)
			}
		})
	}
}

// TestFolderBecomesALink swaps a folder for a link to another after it was listed.
func TestFolderBecomesALink(t *testing.T) {
	secret := t.TempDir()
	must(t, os.WriteFile(secret+"/file", []byte("outside"), 0o600))
	dir := threeFiles(t)
	must(t, os.Mkdir(dir+"/d", 0o700))
	found, report := readWhile(t, dir, "a", func() {
		must(t, os.Remove(dir+"/d"), os.Symlink(secret, dir+"/d"))
	})
	if _, ok := found["./d/file"]; ok || first(report.Skipped) != "d" {
		t.Errorf("found %q, report %+v", found, report)
	}
}

func TestUnreadable(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Skip("root reads everything")
	}
	for _, name := range []string{"b", "d"} {
		dir := threeFiles(t)
		must(t, os.Mkdir(dir+"/d", 0o700), os.Chmod(dir+"/"+name, 0))
		t.Cleanup(func() { os.Chmod(dir+"/"+name, 0o700) })
		_, err := volume.WriteTar(context.Background(), io.Discard, dir, volume.ReadOptions{})
		var path *os.PathError
		if !errors.Is(err, os.ErrPermission) || !errors.As(err, &path) || path.Path != dir+"/"+name {
			t.Errorf("got %v", err)
		}
	}
}

func TestMountPoints(t *testing.T) {
	needRoot(t)
	dir := threeFiles(t)
	mountTmpfs(t, dir+"/mounted", "size=1m")
	must(t, os.WriteFile(dir+"/mounted/inside", nil, 0o600))
	for _, cross := range []bool{false, true} {
		var out bytes.Buffer
		report, err := volume.WriteTar(context.Background(), &out, dir, volume.ReadOptions{CrossMounts: cross})
		must(t, err)
		listing := tool(t, out.Bytes(), "tar", "-tf", "-")
		if got := bytes.Contains(listing, []byte("./mounted/inside\n")); got != cross {
			t.Errorf("CrossMounts %v: %s", cross, listing)
		}
		if !bytes.Contains(listing, []byte("./mounted/\n")) || (first(report.Skipped) == "mounted") == cross {
			t.Errorf("CrossMounts %v: %s %+v", cross, listing, report)
		}
	}
}

func mountTmpfs(t *testing.T, dir, options string) {
	t.Helper()
	must(t, os.Mkdir(dir, 0o755))
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, options); err != nil {
		missing(t, "a mount: "+err.Error())
	}
	t.Cleanup(func() { must(t, unix.Unmount(dir, 0)) })
}

// TestFullTarget restores into a file system that fills up.
func TestFullTarget(t *testing.T) {
	needRoot(t)
	for name, last := range map[string]member{
		"content": file("too-large", string(bytes.Repeat([]byte("x"), 2<<20))),
		"folders": dir("one-too-many"),
	} {
		t.Run(name, func(t *testing.T) {
			full := t.TempDir() + "/full"
			mountTmpfs(t, full, "size=1m,nr_inodes=5") // root, target, small, one more
			members := []member{file("small", "fits"), last}
			if name == "folders" {
				members = []member{file("small", "fits"), dir("a"), dir("b"), last}
			}
			_, err := volume.Extract(context.Background(), bytes.NewReader(stream(t, members...)), full+"/target", volume.ExtractOptions{Sync: true})
			if !errors.Is(err, unix.ENOSPC) || !bytes.Contains([]byte(err.Error()), []byte(members[len(members)-1].Name)) {
				t.Fatalf("got %v", err)
			}
			if _, err := os.Lstat(full + "/target/too-large"); err == nil {
				t.Error("half a file was left")
			}
		})
	}
}
