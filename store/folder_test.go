package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/storagetest"
	"github.com/kistarchive/kist/store/volume"
)

func (f *fixture) captureFolder(dir string, reread bool) *store.Capture {
	f.t.Helper()
	c, err := f.Capture(f.t.Context(), store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{{
		Name: "data", Source: dir, Folder: &store.FolderInput{Path: dir, Reread: reread, Now: later},
	}}})
	if err != nil {
		f.t.Fatal(err)
	}
	return c
}

// later is a time by which all that a test wrote has been written long ago.
func later() time.Time { return time.Now().Add(time.Hour) }

// checkFolder tests that a capture of a folder restores to the very stream that
// volume.WriteTar makes of it now.
func (f *fixture) checkFolder(c *store.Capture, dir string) {
	f.t.Helper()
	var want bytes.Buffer
	if _, err := volume.WriteTar(context.Background(), &want, dir, volume.ReadOptions{}); err != nil {
		f.t.Fatal(err)
	}
	if got := f.restore(c); !bytes.Equal(got, want.Bytes()) {
		f.t.Fatalf("restored %d bytes, not the %d of the folder", len(got), want.Len())
	}
	if c.Bytes != uint64(want.Len()) {
		f.t.Errorf("capture of %d bytes, the stream has %d", c.Bytes, want.Len())
	}
}

func write(t *testing.T, path string, content []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, content, 0o644); err != nil {
		t.Fatal(err)
	}
}

func sampleFolder(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for i := range 120 {
		write(t, fmt.Sprintf("%s/lots/%d/f.%d", dir, i%7, i), random(byte(i), i*37))
	}
	write(t, dir+"/large", random(200, 3<<20))
	write(t, dir+"/lots.csv", []byte("1,bean\n"))
	write(t, dir+"/zeros", make([]byte, 1<<20))
	for _, err := range []error{
		os.Symlink("large", dir+"/latest"), os.Link(dir+"/large", dir+"/lots/hard"), os.Mkdir(dir+"/empty", 0o700),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// TestFolder captures a folder again and again while it changes. Each time, the
// capture must be the one that reading everything gives.
func TestFolder(t *testing.T) {
	dir := sampleFolder(t)
	f := newFixture(t)
	first := f.captureFolder(dir, false)
	f.checkFolder(first, dir)
	if n := first.Volumes[0].Reused; n != 0 {
		t.Errorf("the first capture took %d members over", n)
	}
	for i, step := range []struct {
		change func()
		reread int // members that must be read again, the folders above included
	}{
		{func() {}, 0},
		{func() { write(t, dir+"/lots/3/f.3", []byte("new content")) }, 3},
		{func() { write(t, dir+"/lots/3/aaa", []byte("a new file")) }, 4},
		{func() { os.Remove(dir + "/lots/0/f.0") }, 3},
		{func() { os.Chmod(dir+"/lots/1/f.1", 0o600) }, 3},
		{func() { os.Chtimes(dir+"/lots/1/f.1", time.Time{}, time.Unix(1, 1)) }, 3},
		{func() { os.Rename(dir+"/lots/5", dir+"/lots/a5") }, 20},
		{func() { os.RemoveAll(dir + "/lots/2") }, 3},
		{func() {}, 0},
	} {
		step.change()
		c := f.captureFolder(dir, false)
		f.checkFolder(c, dir)
		if got := int(c.Members) - c.Volumes[0].Reused; got > step.reread || got == 0 && step.reread > 0 {
			t.Errorf("step %d: %d of %d members were read again, want at most %d", i, got, c.Members, step.reread)
		}
		full := f.captureFolder(dir, true)
		if full.Volumes[0].Reused != 0 {
			t.Errorf("step %d: Reread took members over", i)
		}
		f.sameVolume(c, full)
		if full.Added > 3000 {
			t.Errorf("step %d: reading all again added %d bytes", i, full.Added)
		}
	}
}

// sameVolume tests that two captures have the same digests.
func (f *fixture) sameVolume(a, b *store.Capture) {
	f.t.Helper()
	if a.Volumes[0].Digests() != b.Volumes[0].Digests() {
		f.t.Errorf("captures %s and %s of the same state differ", a.ID, b.ID)
	}
}

// TestDraft drafts a folder while it changes, and captures it after.
func TestDraft(t *testing.T) {
	dir := sampleFolder(t)
	f := newFixture(t)
	o := store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{{
		Name: "data", Source: dir, Folder: &store.FolderInput{Path: dir, Now: later},
	}}}
	before := bytesOf(objects(t, f.mem))
	draft, err := f.Draft(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	drafted := bytesOf(objects(t, f.mem)) - before
	f.expectNone()
	write(t, dir+"/lots/3/f.3", []byte("written after the draft"))
	o.After = draft
	c, err := f.Capture(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	f.checkFolder(c, dir)
	if read := int(c.Members) - c.Volumes[0].Reused; read > 2 {
		t.Errorf("%d members were read again", read)
	}
	if added := int(c.Added); drafted < 8000 || added < drafted || added > drafted+8000 {
		t.Errorf("%d bytes were added, and %d by the draft", added, drafted)
	}
}

func bytesOf(objects map[string][]byte) (n int) {
	for _, content := range objects {
		n += len(content)
	}
	return n
}

// TestFolderAfterLoss takes nothing over from slabs that are gone.
func TestFolderAfterLoss(t *testing.T) {
	dir := sampleFolder(t)
	f := newFixture(t)
	f.captureFolder(dir, false)
	left := objects(t, f.mem)
	for name := range left {
		if len(name) > 6 && name[:6] == "slabs/" {
			delete(left, name)
		}
	}
	r, err := store.Open(t.Context(), memoryOf(t, left), f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	g := &fixture{t: t, key: f.key, Repository: r}
	c := g.captureFolder(dir, false)
	if n := c.Volumes[0].Reused; n != 0 {
		t.Errorf("%d members were taken over from what is gone", n)
	}
	g.checkFolder(c, dir)
}

// TestFolderAfterDamage takes members over and then comes to where their states
// can't be read. All must be read again then: their places were not held against
// the whole.
func TestFolderAfterDamage(t *testing.T) {
	dir := t.TempDir()
	for i := range 4000 {
		write(t, fmt.Sprintf("%s/%s%d", dir, strings.Repeat("long name ", 23), i), nil)
	}
	f := newFixture(t)
	first := f.captureFolder(dir, false)
	left := objects(t, f.mem)
	for name, b := range left {
		if strings.HasPrefix(name, "slabs/") {
			b[len(b)-5000] ^= 1 // in the last frame of several
		}
	}
	r, err := store.Open(t.Context(), memoryOf(t, left), f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	g := &fixture{t: t, key: f.key, Repository: r}
	c := g.captureFolder(dir, false)
	if n := c.Volumes[0].Reused; n != 0 {
		t.Errorf("%d members were taken over", n)
	}
	f.sameVolume(first, c)
	if c.Members != first.Members || c.Bytes != first.Bytes {
		t.Errorf("%d members of %d, %d bytes of %d", c.Members, first.Members, c.Bytes, first.Bytes)
	}
}

// TestExcludedFirstName leaves the first of a file's names out: then the others
// are links to the next one, though nothing of the file changed.
func TestExcludedFirstName(t *testing.T) {
	dir := t.TempDir()
	write(t, dir+"/a", []byte("bean"))
	for _, name := range []string{"b", "c"} {
		if err := os.Link(dir+"/a", dir+"/"+name); err != nil {
			t.Skip(err)
		}
	}
	f := newFixture(t)
	f.captureFolder(dir, false)
	o := store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{{
		Name: "data", Source: dir, Folder: &store.FolderInput{Path: dir, Now: later, Options: volume.ReadOptions{Exclude: []string{"a"}}},
	}}}
	for range 2 {
		c, err := f.Capture(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		if _, err := volume.WriteTar(t.Context(), &out, dir, o.Volumes[0].Folder.Options); err != nil {
			t.Fatal(err)
		}
		if got := f.restore(c); !bytes.Equal(got, out.Bytes()) {
			t.Error("another stream than that of the folder")
		}
	}
}

// TestOtherFolder takes nothing over from a folder of another name or place.
func TestOtherFolder(t *testing.T) {
	dir, other := sampleFolder(t), sampleFolder(t)
	f := newFixture(t)
	f.captureFolder(dir, false)
	if n := f.captureFolder(other, false).Volumes[0].Reused; n != 0 {
		t.Errorf("%d members were taken over", n)
	}
}

// TestFreshlyWritten does not take over what was written just before the capture
// before: a further change within the same tick of the clock would not show.
func TestFreshlyWritten(t *testing.T) {
	dir := sampleFolder(t)
	f := newFixture(t)
	o := store.CaptureOptions{Volumes: []store.VolumeInput{{Source: dir, Folder: &store.FolderInput{Path: dir}}}}
	// By that clock all was written after the capture began.
	o.Volumes[0].Folder.Now = func() time.Time { return time.Unix(0, 0) }
	for range 2 {
		c, err := f.Capture(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		if n := c.Volumes[0].Reused; n != 0 {
			t.Errorf("%d members were taken over", n)
		}
	}
}

// A folder is looked into before it is known what there is. What fails then is said as
// it is, and the lease goes.
func TestFolderLookedIntoMeanwhile(t *testing.T) {
	g := newGrowing(t)
	dir := tree(t, 30)
	for name, test := range map[string]struct {
		path  string
		fault *storagetest.Fault
		want  error
	}{
		"tables can't be listed":           {dir, &storagetest.Fault{Method: storagetest.List, From: 1}, storagetest.ErrInjected},
		"no folder":                        {dir + "/none", nil, fs.ErrNotExist},
		"no folder, and nothing is listed": {dir + "/none", &storagetest.Fault{Method: storagetest.List, From: 1}, storagetest.ErrInjected},
	} {
		t.Run(name, func(t *testing.T) {
			r := g.open("")
			g.faulty.Reset()
			if test.fault != nil {
				g.faulty.Inject(*test.fault)
			}
			_, err := r.Capture(t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{folderInput(test.path)}})
			g.faulty.Reset()
			if !errors.Is(err, test.want) || strings.HasPrefix(err.Error(), "reading ./") {
				t.Errorf("got %v", err)
			}
			if n := g.count("leases"); n != 0 {
				t.Errorf("%d leases are left", n)
			}
		})
	}
}
