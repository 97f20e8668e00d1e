package paths

import (
	"os"
	"path/filepath"
	"testing"
)

// TestResolve: links are followed, also above of what is not there yet.
func TestResolve(t *testing.T) {
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	at := func(parts ...string) string { return filepath.Join(append([]string{dir}, parts...)...) }
	if err := os.Mkdir(at("share"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("share", at("link")); err != nil {
		t.Skip(err)
	}
	t.Chdir(dir)
	for _, test := range []struct{ path, resolved, place string }{
		{"link", at("share"), at("share")},
		{at("link"), at("share"), at("share")},
		{filepath.Join("link", "new", "deep"), at("link", "new", "deep"), at("share", "new", "deep")},
		{"none", at("none"), at("none")},
		{".", dir, dir},
	} {
		if got, place := Resolve(test.path), ResolvePlace(test.path); got != test.resolved || place != test.place || !filepath.IsAbs(Absolute(test.path)) {
			t.Errorf("%s: %s and %s, not %s and %s", test.path, got, place, test.resolved, test.place)
		}
	}
}

func TestWithin(t *testing.T) {
	root := string(filepath.Separator)
	for _, test := range []struct {
		folder, path string
		want         bool
	}{
		{filepath.Join(root, "srv"), filepath.Join(root, "srv"), true},
		{filepath.Join(root, "srv"), filepath.Join(root, "srv", "beds"), true},
		{filepath.Join(root, "srv"), filepath.Join(root, "srv2"), false},
		{filepath.Join(root, "srv"), root, false},
		{filepath.Join(root, "srv"), filepath.Join(root, "srv", "..beds"), true},
		{filepath.Join(root, "srv"), filepath.Join(root, "srv", "..", "beds"), false},
		{filepath.Join(root, "srv") + root, filepath.Join(root, "srv", "beds"), true},
		{root, filepath.Join(root, "srv"), true},
		{filepath.Join(root, "srv"), "srv", false},
	} {
		if got := Within(test.folder, test.path); got != test.want {
			t.Errorf("%s in %s: %t", test.path, test.folder, got)
		}
		over := test.want || test.path == root // of which everything is a part
		if Overlap(test.folder, test.path) != over || Overlap(test.path, test.folder) != over {
			t.Errorf("%s and %s overlap: %t", test.path, test.folder, !over)
		}
	}
}
