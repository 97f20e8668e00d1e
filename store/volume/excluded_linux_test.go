package volume_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/volume"
)

// TestExcluded checks against the tree without what is excluded, with a hard link whose first name is
// excluded.
func TestExcluded(t *testing.T) {
	src, want := t.TempDir(), t.TempDir()
	for _, dir := range []string{src, want} {
		tr := tree{t, dir}
		tr.file("b-file", "linked", 0o644)
		must(t, os.Link(dir+"/b-file", dir+"/c-file"))
		tr.file("logs/keep.log", "kept", 0o644)
		tr.file("d/e/f", "", 0o600)
		must(t, os.Chtimes(dir+"/b-file", someTime, someTime))
	}
	tr := tree{t, src}
	must(t, os.Link(src+"/b-file", src+"/a-link.tmp"))
	tr.file("logs/a.log", "", 0o600)
	tr.file("d/e/x.tmp", "", 0o600)
	tr.file("d/scratch/deep/er", "", 0o600)
	must(t, os.Symlink("nowhere", src+"/d/link.tmp"), os.Mkdir(src+"/dir.tmp", 0o700), os.WriteFile(src+"/dir.tmp/in", nil, 0))
	for _, dir := range []string{src, want} {
		for _, name := range []string{"b-file", "logs/keep.log", "d/e/f", "d/e", "d", "logs", "."} {
			must(t, os.Chtimes(dir+"/"+name, someTime, someTime))
		}
	}
	var got bytes.Buffer
	seen := 0
	report, err := volume.WriteTar(context.Background(), &got, src, volume.ReadOptions{
		Exclude: []string{"*.tmp", "/d/scratch/", "*.log", "!keep.log"},
		OnEntry: func(string, int64) { seen++ },
	})
	must(t, err)
	expected, _ := readTree(t, want)
	if !bytes.Equal(got.Bytes(), expected) {
		t.Errorf("members are\n%s, not\n%s", tool(t, got.Bytes(), "tar", "-tvf", "-"), tool(t, expected, "tar", "-tvf", "-"))
	}
	if report.Excluded != 6 || report.Members != seen || seen != 8 || len(report.Skipped) > 0 || report.CacheFolders != 0 {
		t.Errorf("%d calls, report %+v", seen, report)
	}
	if _, err := volume.WriteTar(context.Background(), io.Discard, src, volume.ReadOptions{Exclude: []string{"["}}); !errors.Is(err, path.ErrBadPattern) {
		t.Errorf("got %v", err)
	}
}

// TestCacheFolders compares with GNU tar, which knows such folders too.
func TestCacheFolders(t *testing.T) {
	const signature = "Signature: 8a477f597d28d172789f06886806bc55"
	src := t.TempDir()
	tr := tree{t, src}
	for name, tag := range map[string]string{
		"bare": signature, "text": signature + "\n# This is a cache.\n", "deep/er": signature,
		"short": signature[:42], "other": strings.ToUpper(signature), "empty": "", "late": " " + signature,
	} {
		tr.file(name+"/CACHEDIR.TAG", tag, 0o600)
		tr.file(name+"/A-before", "x", 0o600)
		tr.file(name+"/zz/after", "x", 0o600)
	}
	tr.file("untagged/cachedir.tag", signature, 0o600)
	var got bytes.Buffer
	report, err := volume.WriteTar(context.Background(), &got, src, volume.ReadOptions{SkipCacheFolders: true})
	must(t, err)
	lines := func(stream []byte) []string {
		names := strings.Split(string(tool(t, stream, "tar", "-tf", "-")), "\n")
		slices.Sort(names)
		return names
	}
	reference, _ := toolQuiet(t, nil, "tar", "--exclude-caches", "-C", src, "-cf", "-", ".")
	if names, want := lines(got.Bytes()), lines(reference); !slices.Equal(names, want) {
		t.Errorf("members are %q, by GNU tar %q", names, want)
	}
	if report.CacheFolders != 3 {
		t.Errorf("report %+v", report)
	}
	// Without the option, and for a folder that is itself tagged, all is there.
	for _, c := range []struct {
		dir  string
		skip bool
	}{{src, false}, {src + "/bare", true}} {
		var all counter
		report, err := volume.WriteTar(context.Background(), &all, c.dir, volume.ReadOptions{SkipCacheFolders: c.skip})
		must(t, err)
		full, _ := readTree(t, c.dir)
		if int(all) != len(full) || report.CacheFolders != 0 {
			t.Errorf("%s: %d bytes, not %d", c.dir, all, len(full))
		}
	}
	// A link is no tag.
	links := t.TempDir()
	must(t, os.Mkdir(links+"/d", 0o700), os.Symlink(src+"/bare/CACHEDIR.TAG", links+"/d/CACHEDIR.TAG"), os.WriteFile(links+"/d/f", nil, 0o600))
	report, err = volume.WriteTar(context.Background(), io.Discard, links, volume.ReadOptions{SkipCacheFolders: true})
	if err != nil || report.Members != 4 {
		t.Errorf("report %+v, %v", report, err)
	}
}

var someTime = time.Unix(1_700_000_000, 123)
