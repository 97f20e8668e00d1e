package store_test

import (
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/kistarchive/kist/store"
)

// TestDoubts: what may be less good to go back to says so, also when it is read again.
func TestDoubts(t *testing.T) {
	f := newFixture(t)
	whole := tarOf(t, file{name: "a", content: random(1, 5000)})
	dir := t.TempDir()
	name := filepath.Join(dir, "grows: the folder changed while it was read")
	if err := os.WriteFile(name, []byte("bean"), 0o600); err != nil {
		t.Fatal(err)
	}
	still := store.VolumeInput{Name: "still", Folder: &store.FolderInput{Path: dir}, Source: dir}
	for name, test := range map[string]struct {
		o    store.CaptureOptions
		want []store.Doubt
	}{
		"none":       {store.CaptureOptions{Volumes: []store.VolumeInput{stream(whole)}}, nil},
		"a folder":   {store.CaptureOptions{Volumes: []store.VolumeInput{still}}, nil},
		"live":       {store.CaptureOptions{Volumes: []store.VolumeInput{stream(whole)}, Labels: map[string]string{store.LabelLive: ""}}, []store.Doubt{store.Live}},
		"unfinished": {store.CaptureOptions{Volumes: []store.VolumeInput{stream(whole[:3000])}, AcceptUnfinished: true}, []store.Doubt{store.Unfinished}},
	} {
		c, err := f.Capture(t.Context(), test.o)
		if err != nil {
			t.Fatal(name, err)
		}
		if got := mustFind(f, c.ID).Doubts; !slices.Equal(got, test.want) || !slices.Equal(c.Doubts, test.want) {
			t.Errorf("%s: %q, %q, not %q", name, c.Doubts, got, test.want)
		}
	}
}
