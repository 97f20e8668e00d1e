package store_test

import (
	"bytes"
	"math/rand/v2"
	"os"
	"syscall"
	"testing"
	"time"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// extent is a stretch of data in a sparse file.
type extent struct {
	off    int64
	length int
}

// writeSparse writes a file of that size with data in some places, and holes between.
func writeSparse(t *testing.T, path string, size int64, seed byte, extents ...extent) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for i, e := range extents {
		if _, err := f.WriteAt(random(seed+byte(i), e.length), e.off); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Truncate(size); err != nil {
		t.Fatal(err)
	}
}

// onlyShelf matches one member.
func onlyShelf(path string) bool { return path == "shelf" }

// extract restores a capture, or some members of it, into a folder, by a pipe that passes on holes.
func (f *fixture) extract(c *store.Capture, match func(string) bool) string {
	f.t.Helper()
	r, w := volume.Pipe()
	go func() {
		var err error
		if match == nil {
			err = f.Restore(f.t.Context(), &c.Volumes[0], w, store.RestoreOptions{})
		} else {
			_, err = f.RestoreMembers(f.t.Context(), &c.Volumes[0], match, w, store.RestoreOptions{})
		}
		w.CloseWithError(err)
	}()
	dir := f.t.TempDir() + "/restored"
	_, err := volume.Extract(f.t.Context(), r, dir, volume.ExtractOptions{})
	r.CloseWithError(err)
	if err != nil {
		f.t.Fatal(err)
	}
	return dir
}

// TestSparse captures files with holes, and the same with all zeros written out: that must
// give the same contents, and so must a capture that takes them over, and a draft.
func TestSparse(t *testing.T) {
	oneByOne(t)
	random := rand.New(rand.NewPCG(7, 7))
	for i := range 12 {
		dir := t.TempDir()
		size := random.Int64N(6 << 20)
		var extents []extent
		for range random.IntN(5) {
			length := 1 + random.IntN(200_000)
			if room := size - int64(length); room > 0 {
				extents = append(extents, extent{random.Int64N(room), length})
			}
		}
		writeSparse(t, dir+"/shelf", size, byte(i), extents...)
		f := newFixture(t)
		sparse := f.captureFolder(dir, false)
		f.checkFolder(sparse, dir)
		again := f.captureFolder(dir, false)
		if again.Volumes[0].Reused == 0 {
			t.Error("nothing was taken over")
		}
		f.sameVolume(sparse, again)

		content, err := os.ReadFile(dir + "/shelf")
		if err != nil {
			t.Fatal(err)
		}
		for name, into := range map[string]string{"all": f.extract(sparse, nil), "some": f.extract(sparse, onlyShelf)} {
			if got, err := os.ReadFile(into + "/shelf"); err != nil || !bytes.Equal(got, content) {
				t.Errorf("%s restored: other bytes, %v", name, err)
			}
		}
		info, err := os.Stat(dir + "/shelf")
		if err != nil {
			t.Fatal(err)
		}
		for _, err := range []error{
			os.WriteFile(dir+"/shelf", content, 0o644), os.Chtimes(dir+"/shelf", time.Time{}, info.ModTime()),
		} {
			if err != nil {
				t.Fatal(err)
			}
		}
		dense := f.captureFolder(dir, true)
		f.sameVolume(sparse, dense)
		if dense.Added > 4096 {
			t.Errorf("file %d: the zeros written out added %d bytes", i, dense.Added)
		}
	}
}

// TestHugeSparse captures a file that nobody could read to its end, restores and verifies
// it, and takes it over. Large chunks are few: what is tried is that no byte costs time.
func TestHugeSparse(t *testing.T) {
	size := int64(1) << 40
	if testing.Short() {
		size = 1 << 35
	}
	dir := t.TempDir()
	writeSparse(t, dir+"/shelf", size, 1, extent{5000, 70_000}, extent{size / 3, 70_000}, extent{size - 70_000, 70_000})
	f := newFixtureOf(t, store.CreateOptions{ChunkAverage: chunk.MaxAverage})
	c := f.captureFolder(dir, false)
	if c.Added > 300_000 {
		t.Errorf("a file of 210,000 bytes of data added %d", c.Added)
	}
	o := store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{{
		Name: "data", Source: dir, Folder: &store.FolderInput{Path: dir, Now: later},
	}}}
	for _, match := range []func(string) bool{nil, onlyShelf} {
		dir := f.extract(c, match)
		info, err := os.Stat(dir + "/shelf")
		if err != nil || info.Size() != size {
			t.Errorf("restored %v, %v", info, err)
		} else if blocks := info.Sys().(*syscall.Stat_t).Blocks * 512; blocks > 1<<20 {
			t.Errorf("it takes %d bytes", blocks)
		}
	}
	for range 2 {
		again, err := f.Capture(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		f.sameVolume(c, again)
		if again.Volumes[0].Reused != 2 {
			t.Errorf("%d members were taken over", again.Volumes[0].Reused)
		}
		if o.After, err = f.Draft(t.Context(), o); err != nil {
			t.Fatal(err)
		}
	}
	for d, err := range f.Compare(t.Context(), c, f.captureFolder(dir, true), store.CompareOptions{}) {
		t.Errorf("captures of the same differ: %+v, %v", d, err)
	}
}
