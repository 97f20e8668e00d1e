package store_test

import (
	"archive/tar"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/volume"
)

// filesIn gives the contents of all files in a folder, by their paths, and of folders "/".
func filesIn(t testing.TB, dir string) map[string]string {
	t.Helper()
	all := make(map[string]string)
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		name, _ := filepath.Rel(dir, path)
		switch {
		case err != nil || name == ".":
		case d.IsDir():
			all[name] = "/"
		default:
			var b []byte
			b, err = os.ReadFile(path)
			all[name] = string(b)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func sameFiles(t *testing.T, what, dir string, want map[string]string) {
	t.Helper()
	if got := filesIn(t, dir); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%s: there is %v, want %v", what, got, want)
	}
}

// twoVolumes captures two tar streams and what is none.
func (f *fixture) twoVolumes() (all []*store.Volume) {
	f.t.Helper()
	own := func(h *tar.Header) { h.Uid, h.Gid = os.Getuid(), os.Getgid() }
	data, shelf := stream(tarOf(f.t, file{"catalogue", []byte("bean"), own}, file{"seeds/lot", []byte("barley"), own})), stream(tarOf(f.t, file{"catalogue", []byte("oat"), own}))
	shelf.Name = "shelf"
	dump := stream([]byte("-- dump"))
	dump.Name = "dump"
	c, err := f.Capture(f.t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{data, shelf, dump}})
	if err != nil {
		f.t.Fatal(err)
	}
	for i := range c.Volumes {
		all = append(all, &c.Volumes[i])
	}
	return all
}

func TestRestoreFolder(t *testing.T) {
	f := newFixture(t)
	volumes := f.twoVolumes()
	now := func() time.Time { return time.Date(2026, 3, 14, 2, 3, 5, 0, time.UTC) }
	const suffix = ".before-20260314t020305z"
	one := map[string]string{"catalogue": "bean", "seeds": "/", "seeds/lot": "barley"}
	three := map[string]string{
		"data": "/", "data/catalogue": "bean", "data/seeds": "/", "data/seeds/lot": "barley",
		"shelf": "/", "shelf/catalogue": "oat", "dump": "/", "dump/dump": "-- dump",
	}
	old := map[string]string{"catalogue": "old", "notes": "mine"}
	only := func(path string) bool { return path == "catalogue" }
	for name, c := range map[string]struct {
		volumes []*store.Volume
		full    bool
		o       store.FolderOptions
		want    map[string]string
		kept    map[string]string // beside the folder
		err     error
	}{
		"into a new folder":       {volumes: volumes[:1], want: one},
		"several":                 {volumes: volumes, want: three},
		"what is no tar stream":   {volumes: volumes[2:], want: map[string]string{"dump": "-- dump"}},
		"what is there, unasked":  {volumes: volumes[:1], full: true, want: old, err: volume.ErrNotEmpty},
		"replacing":               {volumes: volumes[:1], full: true, o: store.FolderOptions{Replace: true}, want: one, kept: old},
		"replacing and removing":  {volumes: volumes[:1], full: true, o: store.FolderOptions{Replace: true, DiscardPrevious: true}, want: one},
		"some into a new folder":  {volumes: volumes[:1], o: store.FolderOptions{Match: only}, want: map[string]string{"catalogue": "bean"}},
		"some of two":             {volumes: volumes[:2], o: store.FolderOptions{Match: func(p string) bool { return p == "seeds/lot" }}, want: map[string]string{"data": "/", "data/seeds": "/", "data/seeds/lot": "barley"}},
		"some in place of others": {volumes: volumes[:1], full: true, o: store.FolderOptions{Replace: true, Match: only}, want: map[string]string{"catalogue": "bean", "notes": "mine", "catalogue" + suffix: "old"}},
		"some for good":           {volumes: volumes[:1], full: true, o: store.FolderOptions{Replace: true, DiscardPrevious: true, Match: only}, want: map[string]string{"catalogue": "bean", "notes": "mine"}},
		"none of one":             {volumes: volumes[:1], full: true, o: store.FolderOptions{Replace: true, Match: func(string) bool { return false }}, want: old, err: store.ErrNotFound},
		"none of two":             {volumes: volumes[:2], full: true, o: store.FolderOptions{Replace: true, Match: func(string) bool { return false }}, want: old, err: store.ErrNotFound},
		"some of no tar stream":   {volumes: volumes[2:], full: true, o: store.FolderOptions{Replace: true, Match: func(string) bool { return true }}, want: old, err: store.ErrBadOptions},
		"no volumes":              {full: true, o: store.FolderOptions{Replace: true}, want: old, err: store.ErrBadOptions},
	} {
		t.Run(name, func(t *testing.T) {
			above := t.TempDir()
			dir := above + "/srv"
			if c.full {
				for name, content := range old {
					if err := errors.Join(os.MkdirAll(dir, 0o755), os.WriteFile(filepath.Join(dir, name), []byte(content), 0o644)); err != nil {
						t.Fatal(err)
					}
				}
			}
			c.o.Now = now
			var last store.Progress
			c.o.Progress = func(p store.Progress) {
				if p.Bytes < last.Bytes || p.Members < last.Members {
					t.Errorf("progress went from %+v back to %+v", last, p)
				}
				last = p
			}
			done, err := f.RestoreFolder(t.Context(), c.volumes, dir, c.o)
			if !errors.Is(err, c.err) {
				t.Fatalf("%v, want %v", err, c.err)
			}
			sameFiles(t, "in the folder", dir, c.want)
			if err == nil {
				if c.kept != nil {
					sameFiles(t, "kept", done.Previous, c.kept)
				}
				if placed := c.full && c.o.Match != nil; placed != (done.How == 0) || (done.Previous != "") != (c.kept != nil) || done.Members == 0 || done.Bytes == 0 || placed != (done.Entries == 1) {
					t.Errorf("%+v", done)
				}
				total := int64(0)
				for _, v := range c.volumes {
					total += int64(v.Bytes)
				}
				if c.o.Match == nil && (last.Total != total || last.Bytes != total) {
					t.Errorf("the last progress was %+v of %d", last, total)
				}
			}
			entries, _ := os.ReadDir(above)
			for _, e := range entries {
				if e.Name() != "srv" && e.Name() != "srv"+suffix || c.kept == nil && e.Name() != "srv" {
					t.Errorf("%s was left beside it", e.Name())
				}
			}
		})
	}
}

// TestFolderChanges: what is said beforehand is what RestoreFolder then does.
func TestFolderChanges(t *testing.T) {
	f := newFixture(t)
	volumes := f.twoVolumes()
	dir := t.TempDir() + "/srv"
	say := func(volumes []*store.Volume, o store.FolderOptions) (lines []string) {
		t.Helper()
		out, err := f.FolderChanges(t.Context(), volumes, dir, o)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range out.Changes {
			if (c.Will == nil) != (c.Kind == store.EntryRemoved) || (c.Is == nil) != (c.Kind == store.EntryAdded) {
				t.Errorf("%+v", c)
			}
			lines = append(lines, fmt.Sprint(c.Kind, " ", c.Volume, ":", c.Path, c.Differs))
		}
		return append(lines, fmt.Sprint(out.Same, " same"))
	}
	expect := func(what string, got []string, want ...string) {
		t.Helper()
		if !slices.Equal(got, want) {
			t.Errorf("%s:\n got %q\nwant %q", what, got, want)
		}
	}
	expect("nothing there", say(volumes[:2], store.FolderOptions{}), "added data:catalogue[]", "added data:seeds/lot[]", "added shelf:catalogue[]", "0 same")
	if _, err := f.RestoreFolder(t.Context(), volumes[:2], dir, store.FolderOptions{}); err != nil {
		t.Fatal(err)
	}
	// No stream has the folder seeds: it is made for what is in it.
	expect("restored", say(volumes[:2], store.FolderOptions{}), "3 same")
	for _, err := range []error{
		os.WriteFile(dir+"/data/catalogue", []byte("oats!"), 0o600), os.Chmod(dir+"/data/catalogue", 0o600),
		os.WriteFile(dir+"/data/mine", nil, 0o600), os.WriteFile(dir+"/beside", nil, 0o600),
		os.Remove(dir + "/shelf/catalogue"), os.Mkdir(dir+"/shelf/catalogue", 0o700),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	expect("changed", say(volumes[:2], store.FolderOptions{}),
		"changed data:catalogue[size modified mode]", "removed data:mine[]",
		"changed shelf:catalogue[kind]", "removed :beside[]", "1 same")
	expect("some", say(volumes[:2], store.FolderOptions{Match: func(p string) bool { return p == "catalogue" }}),
		"changed data:catalogue[size modified mode]", "changed shelf:catalogue[kind]", "0 same")
	if said := say(volumes[2:], store.FolderOptions{}); !slices.Contains(said, "added dump:dump[]") {
		t.Errorf("what is no tar stream: %q", said)
	}
	dir += "/beside"
	if _, err := f.FolderChanges(t.Context(), volumes[:1], dir, store.FolderOptions{}); err == nil {
		t.Error("a file in place of the folder: no error")
	}
}

// A tool puts a capture in the place of what a service has now.
func ExampleRepository_RestoreFolder() {
	ctx := context.Background()
	r, err := store.Create(ctx, storage.NewMemory(), crypt.NewKeyFile(), store.CreateOptions{})
	if err != nil {
		log.Fatal(err)
	}
	defer r.Close()
	c, err := r.Capture(ctx, store.CaptureOptions{Volumes: []store.VolumeInput{{Name: "data", Open: openCatalogue}}})
	if err != nil {
		log.Fatal(err)
	}
	above, err := os.MkdirTemp("", "seedbank-")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(above)
	dir := filepath.Join(above, "data")
	if err := errors.Join(os.Mkdir(dir, 0o755), os.WriteFile(filepath.Join(dir, "catalogue.csv"), nil, 0o644)); err != nil {
		log.Fatal(err)
	}

	volumes, o := []*store.Volume{&c.Volumes[0]}, store.FolderOptions{Replace: true}
	changes, err := r.FolderChanges(ctx, volumes, dir, o)
	if err != nil {
		log.Fatal(err)
	}
	for _, c := range changes.Changes {
		fmt.Println(c.Kind, c.Path, slices.Contains(c.Differs, store.AspectSize))
	}
	done, err := r.RestoreFolder(ctx, volumes, dir, o)
	if err != nil {
		log.Fatal(err)
	}
	b, err := os.ReadFile(filepath.Join(dir, "catalogue.csv"))
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(done.Members, "member,", len(b), "bytes, the previous is kept:", strings.HasPrefix(done.Previous, dir+".before-"))
	// Output:
	// changed catalogue.csv true
	// 1 member, 21 bytes, the previous is kept: true
}
