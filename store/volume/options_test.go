package volume_test

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/kistarchive/kist/store/volume"
)

func extract(t *testing.T, o volume.ExtractOptions, members ...member) (string, *volume.ExtractReport) {
	t.Helper()
	return extractInto(t, stream(t, members...), o)
}

// names lists what is below dir.
func names(t *testing.T, dir string) (found []string) {
	t.Helper()
	must(t, fs.WalkDir(os.DirFS(dir), ".", func(path string, _ fs.DirEntry, err error) error {
		found = append(found, path)
		return err
	}))
	return found[1:]
}

func TestOnly(t *testing.T) {
	var seen []string
	want := func(path string) bool { return strings.HasPrefix(path, "a/b/") || path == "hard" }
	got, report := extract(t, volume.ExtractOptions{Only: want, OnEntry: func(path string, _ int64) { seen = append(seen, path) }},
		dir("./"), dir("./a").mode(0o750), dir("./a/b").mode(0o710), file("./a/b/wanted", "1"),
		file("./a/not", "2"), dir("./c"), file("./c/not", "3"), hardlink("./hard", "./a/not"))
	if found := names(t, got); !slices.Equal(found, []string{"a", "a/b", "a/b/wanted"}) {
		t.Errorf("restored %q", found)
	}
	for path, mode := range map[string]fs.FileMode{"a": 0o750, "a/b": 0o710} {
		if info, err := os.Stat(got + "/" + path); err != nil || info.Mode().Perm() != mode {
			t.Errorf("%s: %v, %v", path, info.Mode(), err)
		}
	}
	if !slices.Equal(seen, []string{"a/b/wanted", "hard"}) || report.Members != 1 || report.Bytes != 1 {
		t.Errorf("seen %q, report %+v", seen, report)
	}
	if len(report.NotRestored) != 1 || report.NotRestored[0].Path != "hard" {
		t.Errorf("report %+v", report)
	}
}

// TestReplacedLinkFolder replaces a folder that a hard link's target was looked for in.
func TestReplacedLinkFolder(t *testing.T) {
	wanted := func(path string) bool { return path != "d/e/unwanted" }
	got, report := extract(t, volume.ExtractOptions{Only: wanted},
		dir("d/e"), file("d/e/unwanted", "x"), hardlink("lost", "d/e/unwanted"),
		file("d/e", "instead"), dir("d/e"), file("d/e/f", "x"), hardlink("h", "d/e/f"))
	if found := names(t, got); !slices.Equal(found, []string{"d", "d/e", "d/e/f", "h"}) || first(report.NotRestored) != "lost" {
		t.Errorf("restored %q, report %+v", found, report)
	}
}

func TestTarget(t *testing.T) {
	in := stream(t, file("x", "x"))
	base := t.TempDir()
	must(t, os.Mkdir(base+"/empty", 0o700), os.Mkdir(base+"/full", 0o700),
		os.WriteFile(base+"/full/x", []byte("old"), 0o600))
	for target, want := range map[string]error{
		"new": nil, "empty": nil, "full": volume.ErrNotEmpty, "no/parent": fs.ErrNotExist,
	} {
		_, err := volume.Extract(context.Background(), bytes.NewReader(in), base+"/"+target, volume.ExtractOptions{})
		if !errors.Is(err, want) {
			t.Errorf("%s: %v, want %v", target, err, want)
		}
	}
	if got, _ := os.ReadFile(base + "/full/x"); string(got) != "old" {
		t.Errorf("full/x is %q", got)
	}
}

// TestStrictModes has folders that forbid what restoring below them needs.
func TestStrictModes(t *testing.T) {
	got, _ := extract(t, volume.ExtractOptions{},
		dir("./").mode(0o500), dir("./d").mode(0o000), file("./d/f", "x").mode(0o000), dir("./d/e").mode(0o100), file("./d/e/g", "y"))
	t.Cleanup(func() { os.Chmod(got, 0o700); os.Chmod(got+"/d", 0o700); os.Chmod(got+"/d/e", 0o700) })
	info, err := os.Stat(got + "/d")
	must(t, err)
	if info.Mode().Perm() != 0 {
		t.Errorf("d has mode %v", info.Mode())
	}
}

func TestOwnersNotRestored(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Skip("root restores owners")
	}
	got, report := extract(t, volume.ExtractOptions{}, file("a", "x").owner(1, 1).mode(0o6755), file("b", "x").owner(2, 2))
	info, err := os.Stat(got + "/a")
	must(t, err)
	if info.Mode() != 0o755 {
		t.Errorf("a program with another owner has mode %v", info.Mode())
	}
	if len(report.NotRestored) != 2 || report.NotRestored[0].Members != 2 || report.NotRestored[0].Path != "a" {
		t.Errorf("report %+v", report.NotRestored)
	}
}

func TestOwnersByName(t *testing.T) {
	needRoot(t)
	m := file("f", "x").owner(4711, 4712)
	m.Uname, m.Gname = "root", "no-such-group"
	for byName, want := range map[bool]string{false: "4711:4712\n", true: "0:4712\n"} {
		got, _ := extract(t, volume.ExtractOptions{OwnersByName: byName}, m)
		if out := string(tool(t, nil, "stat", "-c", "%u:%g", got+"/f")); out != want {
			t.Errorf("OwnersByName %v: %s", byName, out)
		}
	}
}

// TestOwnerOutOfRange has a program without a valid owner: it must not run as root.
func TestOwnerOutOfRange(t *testing.T) {
	for _, id := range []int{-1, 1<<32 - 1, 1 << 32} {
		got, report := extract(t, volume.ExtractOptions{}, file("f", "x").owner(id, id).mode(0o6755))
		info, err := os.Stat(got + "/f")
		must(t, err)
		if info.Mode() != 0o755 || len(report.NotRestored) != 2 {
			t.Errorf("%d: mode %v, report %+v", id, info.Mode(), report)
		}
	}
}

func TestUnknownKind(t *testing.T) {
	got, report := extract(t, volume.ExtractOptions{}, unknown("odd"), file("next", "x"))
	if found := names(t, got); !slices.Equal(found, []string{"next"}) || first(report.NotRestored) != "odd" {
		t.Errorf("restored %q, report %+v", found, report)
	}
}

func TestDeviceByRights(t *testing.T) {
	m := member{tar.Header{Typeflag: tar.TypeChar, Name: "null", Devmajor: 1, Devminor: 3}, ""}
	_, report := extract(t, volume.ExtractOptions{Devices: true}, m)
	if restored := report.Members == 1; restored != (os.Geteuid() == 0) || restored == (first(report.NotRestored) == "null") {
		t.Errorf("report %+v", report)
	}
}

func TestCanceled(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"a", "b", "c"} {
		must(t, os.WriteFile(dir+"/"+name, make([]byte, 1<<20), 0o600))
	}
	in, _ := readTree(t, dir)
	for _, stop := range []string{".", "a", "c"} {
		for name, run := range map[string]func(context.Context, func(string, int64)) error{
			"WriteTar": func(ctx context.Context, at func(string, int64)) error {
				_, err := volume.WriteTar(ctx, io.Discard, dir, volume.ReadOptions{OnEntry: at})
				return err
			},
			"Extract": func(ctx context.Context, at func(string, int64)) error {
				_, err := volume.Extract(ctx, bytes.NewReader(in), t.TempDir()+"/target", volume.ExtractOptions{OnEntry: at})
				return err
			},
		} {
			ctx, cancel := context.WithCancel(context.Background())
			defer cancel()
			err := run(ctx, func(path string, _ int64) {
				if path == stop {
					cancel()
				}
				if path > stop {
					t.Errorf("%s, stopped at %s: %s was still begun", name, stop, path)
				}
			})
			if !errors.Is(err, context.Canceled) {
				t.Errorf("%s, stopped at %s: %v", name, stop, err)
			}
		}
	}
}

var errFault = errors.New("fault")

// failing takes so many bytes and then fails.
type failing int

func (f *failing) Write(p []byte) (int, error) {
	if *f -= failing(len(p)); *f < 0 {
		return 0, errFault
	}
	return len(p), nil
}

func TestFaults(t *testing.T) {
	dir := t.TempDir()
	must(t, os.WriteFile(dir+"/small", []byte("x"), 0o600), os.Mkdir(dir+"/d", 0o700),
		os.WriteFile(dir+"/d/large", bytes.Repeat([]byte("x"), 1<<20), 0o600))
	in, _ := readTree(t, dir)
	base := t.TempDir()
	for n := 0; n < len(in); n += 16411 {
		left := failing(n)
		if _, err := volume.WriteTar(context.Background(), &left, dir, volume.ReadOptions{}); !errors.Is(err, errFault) {
			t.Errorf("writing fails at %d: %v", n, err)
		}
		r := io.MultiReader(bytes.NewReader(in[:n]), iotest.ErrReader(errFault))
		_, err := volume.Extract(context.Background(), r, base+"/target", volume.ExtractOptions{})
		if !errors.Is(err, errFault) {
			t.Errorf("reading fails at %d: %v", n, err)
		}
		must(t, os.RemoveAll(base+"/target"))
	}
	// A source that reports damage only at its very end must be heard.
	r := io.MultiReader(bytes.NewReader(in), iotest.ErrReader(errFault))
	if _, err := volume.Extract(context.Background(), r, base+"/target", volume.ExtractOptions{}); !errors.Is(err, errFault) {
		t.Errorf("reading fails after the end: %v", err)
	}
}
