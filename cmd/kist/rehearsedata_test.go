package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/volume"
)

// TestRehearsalCompares: what lies in the scratch folder and is not as captured is found.
func TestRehearsalCompares(t *testing.T) {
	data := t.TempDir()
	for _, name := range []string{"beans", "peas", "shelf/north"} {
		path := filepath.Join(data, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(name), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	r, err := store.Create(t.Context(), storage.NewMemory(), crypt.NewKeyFile(), store.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	capture, err := r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{{Name: "data", Source: data, Folder: &store.FolderInput{Path: data}}}})
	if err != nil {
		t.Fatal(err)
	}
	v := &capture.Volumes[0]
	for name, test := range map[string]struct {
		change      func(dir string) error
		excused     []volume.Note
		fault, said string
	}{
		"nothing": {change: func(string) error { return nil }},
		"size": {change: func(dir string) error { return os.WriteFile(filepath.Join(dir, "beans"), nil, 0o644) },
			fault: "volume data: 1 restored entry is not as captured, such as beans size 5 B, now 0 B"},
		"gone":         {change: func(dir string) error { return os.Remove(filepath.Join(dir, "peas")) }, fault: "such as peas"},
		"added":        {change: func(dir string) error { return os.WriteFile(filepath.Join(dir, "weeds"), nil, 0o644) }, fault: "such as weeds"},
		"kind":         {change: func(dir string) error { return os.RemoveAll(filepath.Join(dir, "shelf")) }, fault: "2 restored entries are not as captured"},
		"excused":      {change: func(dir string) error { return os.RemoveAll(filepath.Join(dir, "shelf")) }, excused: []volume.Note{{Path: "shelf"}}},
		"not the same": {change: func(dir string) error { return os.Remove(filepath.Join(dir, "peas")) }, excused: []volume.Note{{Path: "pea"}}, fault: "such as peas"},
		"mode":         {change: func(dir string) error { return os.Chmod(filepath.Join(dir, "beans"), 0o600) }, said: "1 restored entry has other times, modes or owners"},
	} {
		dir := filepath.Join(t.TempDir(), "scratch")
		if _, err := r.RestoreFolder(t.Context(), []*store.Volume{v}, dir, store.FolderOptions{}); err != nil {
			t.Fatal(err)
		}
		if err := test.change(dir); err != nil {
			t.Fatal(err)
		}
		var said bytes.Buffer
		h := &rehearsal{rehearsing: &rehearsing{app: &app{Screen: screen.New(&said, &said)}, r: &repository{Repository: r}}}
		h.done.Outcome = store.RehearsedWhole
		if err := h.compare(t.Context(), v, dir, test.excused); err != nil {
			t.Fatal(err)
		}
		if (h.done.Outcome == store.RehearsedWhole) != (test.fault == "") || !strings.Contains(h.done.Fault, test.fault) {
			t.Errorf("%s: %s, %q", name, h.done.Outcome, h.done.Fault)
		}
		if !strings.Contains(said.String(), test.said) || (test.said == "") != (said.Len() == 0) {
			t.Errorf("%s: said %q", name, &said)
		}
	}
}

func TestBoundedText(t *testing.T) {
	for in, want := range map[string]string{
		"": "", "two\nlines\t here": "two lines here", "\xff": "\uFFFD", strings.Repeat("ä", 1500): strings.Repeat("ä", 1000) + "…",
		"x" + strings.Repeat("ä", 1500): "x" + strings.Repeat("ä", 999) + "…",
	} {
		if got := boundedText(in); got != want {
			t.Errorf("%.20q: %q", in, got)
		}
	}
}
