package volume_test

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/volume"
)

// fence is a folder with a target to restore into and a canary beside it that must stay as it is.
type fence struct {
	base, target string
	before       []byte
}

func newFence(t testing.TB) *fence {
	t.Helper()
	base := t.TempDir()
	f := &fence{base: base, target: base + "/target"}
	must(t, os.Mkdir(base+"/canary", 0o755),
		os.WriteFile(base+"/canary/file", []byte("untouched"), 0o644),
		os.Mkdir(base+"/canary/folder", 0o755))
	f.before, _ = readTree(t, base+"/canary")
	return f
}

// check fails the test if anything outside the target changed: contents, modes, owners, times,
// number of links.
func (f *fence) check(t testing.TB) {
	t.Helper()
	after, _ := readTree(t, f.base+"/canary")
	if !bytes.Equal(f.before, after) {
		t.Error("the canary changed")
	}
	names, err := filepath.Glob(f.base + "/*")
	must(t, err)
	for _, name := range names {
		if base := filepath.Base(name); base != "canary" && base != "target" {
			t.Errorf("%s was made", name)
		}
	}
}

func TestHostileStreams(t *testing.T) {
	type attack struct {
		members  []member
		refused  string // the member that must be refused
		harmless bool   // or else that none must be
	}
	canary := "../canary"
	attacks := map[string]attack{
		"absolute name":             {[]member{file("/tmp/kist-evil", "x")}, "/tmp/kist-evil", false},
		"dot dot":                   {[]member{file("../canary/file", "x")}, "../canary/file", false},
		"dot dot inside":            {[]member{dir("a"), file("a/../../canary/x", "x")}, "a/../../canary/x", false},
		"dot dot that stays inside": {[]member{dir("a"), file("a/../b", "x")}, "a/../b", false},
		"the folder above":          {[]member{dir("..")}, "../", false},
		"dot slash dot dot":         {[]member{dir("./..")}, "./../", false},
		"no name":                   {[]member{file("", "x")}, "", false},
		"the folder as a file":      {[]member{file(".", "x")}, ".", false},
		"the folder as a link":      {[]member{symlink("./", canary), file("x", "x")}, "./", false},
		"the folder as hard link":   {[]member{file("x", "x"), hardlink(".", "x")}, ".", false},

		"below a link out":        {[]member{symlink("l", canary), file("l/x", "x")}, "l/x", false},
		"below an absolute link":  {[]member{symlink("l", "/tmp"), file("l/kist-evil", "x")}, "l/kist-evil", false},
		"below a link inside":     {[]member{dir("d"), symlink("l", "d"), file("l/x", "x")}, "l/x", false},
		"below a chain of links":  {[]member{symlink("a", ".."), symlink("b", "a/canary"), file("b/x", "x")}, "b/x", false},
		"deep below a link":       {[]member{symlink("l", canary), file("l/folder/x/y", "x")}, "l/folder/x/y", false},
		"folder below a link":     {[]member{symlink("l", canary), dir("l/folder")}, "l/folder/", false},
		"link below a link":       {[]member{symlink("l", canary), symlink("l/x", "y")}, "l/x", false},
		"below a link to itself":  {[]member{symlink("l", "l"), file("l/x", "x")}, "l/x", false},
		"below a file":            {[]member{file("f", "x"), file("f/x", "x")}, "f/x", false},
		"below a replaced folder": {[]member{dir("d"), symlink("d", canary), file("d/x", "x")}, "d/x", false},
		"replaced folder, cached": {[]member{dir("d/e"), dir("d/e"), symlink("d/e", "../"+canary), file("d/e/x", "x")}, "d/e/x", false},
		"replaced folder, open":   {[]member{dir("d/e"), unknown("d/e/x"), symlink("d/e", "../"+canary), file("d/e/x", "x")}, "d/e/x", false},
		"folder to link, members": {[]member{dir("d"), file("d/f", "x"), symlink("d", canary)}, "d", false},

		"hard link out":             {[]member{hardlink("h", "../canary/file"), file("h", "x")}, "h", false},
		"hard link absolute":        {[]member{hardlink("h", "/etc/passwd"), file("h", "x")}, "h", false},
		"hard link through a link":  {[]member{symlink("l", canary), hardlink("h", "l/file"), file("h", "x")}, "h", false},
		"hard link below a link":    {[]member{symlink("l", canary), file("f", "x"), hardlink("l/h", "f")}, "l/h", false},
		"hard link to nothing":      {[]member{hardlink("h", "later"), file("later", "x")}, "h", false},
		"hard link to itself":       {[]member{hardlink("h", "h")}, "h", false},
		"hard link to a folder":     {[]member{dir("d"), hardlink("h", "d")}, "h", false},
		"hard link to the top":      {[]member{hardlink("h", ".")}, "h", false},
		"hard link without target":  {[]member{hardlink("h", "")}, "h", false},
		"character device":          {[]member{{tar.Header{Typeflag: tar.TypeChar, Name: "null", Devmajor: 1, Devminor: 3}, ""}}, "null", false},
		"block device":              {[]member{{tar.Header{Typeflag: tar.TypeBlock, Name: "disk", Devmajor: 8}, ""}}, "disk", false},
		"nested too deep":           {[]member{file(strings.Repeat("d/", 16385)+"x", "x")}, strings.Repeat("d/", 16385) + "x", false},
		"folder over members below": {[]member{file("d/f", "x"), file("d", "x")}, "d", false},

		"link replaced by file":        {[]member{symlink("l", "../canary/file"), file("l", "x")}, "", true},
		"link replaced by folder":      {[]member{symlink("l", canary), dir("l").mode(0o000)}, "", true},
		"folder replaced by link":      {[]member{dir("d").mode(0o000), symlink("d", canary)}, "", true},
		"hard link to a link, written": {[]member{symlink("l", "../canary/file"), hardlink("h", "l"), file("h", "x")}, "", true},
		"hard link to a link, folder":  {[]member{symlink("l", canary), hardlink("h", "l"), dir("h").mode(0o000)}, "", true},
		"link to an absolute file":     {[]member{symlink("l", "/etc/passwd")}, "", true},
		"global header with a path": {[]member{
			{tar.Header{Typeflag: tar.TypeXGlobalHeader, Name: "g", PAXRecords: map[string]string{"path": "../canary/file", "linkpath": "/etc"}}, ""},
			file("ok", "x")}, "", true},
		"odd attributes": {[]member{file("f", "x").records("SCHILY.xattr.", "v", "SCHILY.xattr.user", "v", "SCHILY.xattr.nowhere.x", "v",
			"SCHILY.acl.access", "nonsense", "SCHILY.acl.default", "user::rwx", "SCHILY.acl.ace", "x",
			"SCHILY.xattr.system.posix_acl_access", "\x02\x00\x00\x00x", "SCHILY.xattr.user."+strings.Repeat("n", 1000), "v")}, "", true},
		"owners out of range": {[]member{file("f", "x").owner(-1, 1<<40).mode(0o6755)}, "", true},
	}
	for name, a := range attacks {
		t.Run(name, func(t *testing.T) {
			if runtime.GOOS == "windows" {
				t.Skip("links need rights there")
			}
			f := newFence(t)
			in := stream(t, a.members...)
			_, err := volume.Extract(context.Background(), bytes.NewReader(in), f.target, volume.ExtractOptions{})
			f.check(t)
			var refused *volume.RefusedError
			switch {
			case a.harmless:
				if err != nil {
					t.Errorf("harmless, yet %v", err)
				}
			case !errors.As(err, &refused):
				t.Errorf("got %v, want a RefusedError", err)
			case refused.Member != a.refused:
				t.Errorf("refused %q, want %q", refused.Member, a.refused)
			}
		})
	}
}

// TestRestoredAreNotLed checks what harmless streams leave: links as they stand, and members in
// place of the links they replaced.
func TestRestoredAreNotLed(t *testing.T) {
	f := newFence(t)
	in := stream(t,
		symlink("l", "../canary/file"), hardlink("h", "l"), file("h", "new"),
		symlink("kept", "../canary/file"), symlink("d", "../canary"), dir("d"), file("d/x", "inside"))
	_, err := volume.Extract(context.Background(), bytes.NewReader(in), f.target, volume.ExtractOptions{})
	must(t, err)
	f.check(t)
	for name, want := range map[string]string{"h": "new", "d/x": "inside"} {
		if got, err := os.ReadFile(f.target + "/" + name); string(got) != want {
			t.Errorf("%s: %q, %v", name, got, err)
		}
	}
	if target, err := os.Readlink(f.target + "/kept"); target != "../canary/file" {
		t.Errorf("kept: %q, %v", target, err)
	}
}

// TestAbsurdSizes has members that claim to be huge: no memory is taken for them.
func TestAbsurdSizes(t *testing.T) {
	huge := func(m member, records ...string) []byte {
		var out bytes.Buffer
		w := tar.NewWriter(&out)
		h := m.Header
		h.Format, h.Size = tar.FormatPAX, int64(len(m.content))
		if h.Size == 0 {
			h.Size = 1 << 62
		}
		h.PAXRecords = m.records(records...).PAXRecords
		must(t, w.WriteHeader(&h))
		w.Write([]byte(m.content))
		w.Flush()
		return out.Bytes()
	}
	// archive/tar writes no sparse members; the records' bytes are in no checksum. The formats are
	// those of the GNU tar manual, "Storing Sparse Files".
	block := "1\n4611686018427387904\n0\n"
	block += strings.Repeat("\x00", 512-len(block))
	sparse := bytes.ReplaceAll(huge(file("sparse", block), "XNU.sparse.major", "1", "XNU.sparse.minor", "0",
		"XNU.sparse.name", "sparse", "XNU.sparse.realsize", "4611686018427387904"), []byte("XNU."), []byte("GNU."))
	for name, in := range map[string][]byte{"plain": huge(file("plain", "")), "sparse": sparse} {
		t.Run(name, func(t *testing.T) {
			f := newFence(t)
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, err := volume.Extract(context.Background(), bytes.NewReader(in), f.target, volume.ExtractOptions{})
			runtime.ReadMemStats(&after)
			if err == nil || !strings.Contains(err.Error(), name) {
				t.Errorf("got %v, want an error that names the member", err)
			}
			if name == "plain" && !errors.Is(err, io.ErrUnexpectedEOF) {
				t.Errorf("got %v", err)
			}
			if n := after.TotalAlloc - before.TotalAlloc; n > 8<<20 {
				t.Errorf("%d bytes allocated", n)
			}
			f.check(t)
		})
	}
}

// TestCutShort cuts a stream everywhere: at, before and after each block's end and at many bytes between.
func TestCutShort(t *testing.T) {
	in := stream(t, dir("./"), file("./a", "content"), dir("./d"),
		file("./d/zeros", strings.Repeat("\x00", 1024)).records("SCHILY.xattr.user.x", "y"),
		symlink("./l", "a"), hardlink("./h", "./a"), file("./last", strings.Repeat("\x00", 512)))
	end := len(in) - 1024
	base := t.TempDir()
	for n := range in {
		if edge := (n + 1) % 512; edge > 2 && n%37 != 0 {
			continue
		}
		target := fmt.Sprint(base, "/", n)
		_, err := volume.Extract(context.Background(), bytes.NewReader(in[:n]), target, volume.ExtractOptions{})
		if whole := n >= end+512; whole && n%512 == 0 && err != nil || !whole && !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Fatalf("cut at %d of %d: %v", n, len(in), err)
		}
		if n > end-512 && n < end && !strings.Contains(err.Error(), `"./last"`) {
			t.Fatalf("cut at %d: %v does not name the member", n, err)
		}
	}
}

func TestBrokenHeader(t *testing.T) {
	in := stream(t, file("first", "x"), file("second", "x"))
	in[1024+100] ^= 1 // in the mode of the second header
	_, err := volume.Extract(context.Background(), bytes.NewReader(in), t.TempDir()+"/target", volume.ExtractOptions{})
	if !errors.Is(err, tar.ErrHeader) || !strings.Contains(err.Error(), `"first"`) || !strings.Contains(err.Error(), "byte 1536") {
		t.Errorf("got %v", err)
	}
}
