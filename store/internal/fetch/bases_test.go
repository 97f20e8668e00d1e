package fetch

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage/cache"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// row gives a repository whose slab has n frames of one chunk each.
func row(t *testing.T, n int) *stored {
	t.Helper()
	var frames [][][]byte
	for i := range n {
		frames = append(frames, noise(byte(i), 1, 1<<10))
	}
	return newStored(t, frames...)
}

// keptIn opens a reader that keeps bases of so many bytes in a folder, and counts calls.
func (r *stored) keptIn(t *testing.T, dir string, bases int64) (*Slabs, *storagetest.Faulty) {
	t.Helper()
	os.Chmod(dir, 0o700)
	folder, err := cache.Open(filepath.Join(dir, "copies"), 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { folder.Close() })
	faulty := storagetest.NewFaulty(r.storage)
	s := r.open(t, faulty)
	s.Keep(folder, bases)
	return s, faulty
}

// bases reads frames as bases, and gives how many reads of the storage that took.
func (r *stored) bases(t *testing.T, s *Slabs, counted *storagetest.Faulty, frames ...int) int {
	t.Helper()
	slab, err := s.Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	before := counted.Calls(storagetest.ReadAt)
	for _, n := range frames {
		got, err := s.BaseFrame(t.Context(), slab, n)
		if err != nil || !bytes.Equal(got, r.chunks[n]) {
			t.Fatalf("frame %d: %d bytes, %v", n, len(got), err)
		}
	}
	return counted.Calls(storagetest.ReadAt) - before
}

// Bases that lie one after the other are read several with one call; those here and there, and contents, one by one.
func TestBasesReadAhead(t *testing.T) {
	r := row(t, 40)
	for _, test := range []struct {
		name   string
		frames []int
		reads  int
	}{
		{"one after the other", []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22}, 5}, // 1, 2, 4, 8 and 8
		{"every second", []int{0, 2, 4, 6, 8, 10, 12, 14}, 4},                                                               // 0; 2, which is no further than one read; 4 to 7; 8 to 15
		{"back and forth", []int{30, 5, 20, 1}, 4},
		{"to the end", []int{37, 38, 39}, 2},
		{"all, no more than eight at once", upTo(40), 8}, // 1, 2, 4, 8, 8, 8, 8 and 1
	} {
		t.Run(test.name, func(t *testing.T) {
			s, counted := r.keptIn(t, t.TempDir(), 0)
			if got := r.bases(t, s, counted, test.frames...); got != test.reads {
				t.Errorf("%d reads, want %d", got, test.reads)
			}
		})
	}
}

func upTo(n int) (all []int) {
	for i := range n {
		all = append(all, i)
	}
	return all
}

// What is read ahead takes no more memory than that, however long frames are; one that is longer is read alone.
func TestReadAheadIsBounded(t *testing.T) {
	for _, test := range []struct {
		sealed uint32 // of each frame
		frames int
	}{{100, 8}, {aheadBytes / 4, 4}, {aheadBytes/4 + 1, 3}, {aheadBytes, 1}, {format.MaxFrameRaw, 1}} {
		slab := &Slab{Frames: make([]format.Frame, 20)}
		for i := range slab.Frames {
			slab.Frames[i].Sealed = test.sealed
		}
		a := &ahead{frames: 1, next: 1}
		a.extend(slab, 8)
		if a.frames != test.frames || a.next != test.frames || len(a.bytes) != test.frames*int(test.sealed) {
			t.Errorf("frames of %d bytes: %d in %d bytes, not %d", test.sealed, a.frames, len(a.bytes), test.frames)
		}
	}
}

// What was read as a base is read on this machine from then on, as far as there is room, and what is harmed there is replaced.
func TestKeptBases(t *testing.T) {
	r := row(t, 6)
	dir := t.TempDir()
	s, counted := r.keptIn(t, dir, 1<<20)
	if got := r.bases(t, s, counted, 1, 4); got != 2 {
		t.Fatalf("%d reads", got)
	}
	again := func(want int) {
		t.Helper()
		s, counted := r.keptIn(t, dir, 1<<20)
		if got := r.bases(t, s, counted, 1, 4); got != want {
			t.Errorf("%d reads where bases are kept, want %d", got, want)
		}
		if all := counted.Calls(storagetest.Any); want == 0 && all > 1 { // for the length
			t.Errorf("%d calls", all)
		}
	}
	again(0)
	copies, err := filepath.Glob(filepath.Join(dir, "copies", names.Slab(r.slab)+"*"))
	if err != nil || len(copies) != 3 { // two frames, and the end
		t.Fatalf("copies: %v, %v", copies, err)
	}
	harm := func() {
		t.Helper()
		for _, file := range copies {
			b, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			for i := range b {
				b[i] ^= 1
			}
			if err := os.WriteFile(file, b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	harm()
	again(2)
	again(0)
	harm()
	s, counted = r.keptIn(t, dir, 1) // no room for another copy
	r.bases(t, s, counted, 1, 4)
	if left, _ := filepath.Glob(filepath.Join(dir, "copies", names.Slab(r.slab)+"-[0-9]*")); len(left) > 0 {
		t.Errorf("copies that are harmed are there yet: %v", left)
	}
	room := t.TempDir()
	full, counted := r.keptIn(t, room, 1)
	r.bases(t, full, counted, 0, 2)
	if files, _ := filepath.Glob(filepath.Join(filepath.Join(room, "copies"), names.Slab(r.slab)+"-[0-9]*")); len(files) > 0 {
		t.Errorf("there is no room, and %v are kept", files)
	}
}

// What is kept on the machine takes no more than the room that was given, all together.
func TestKeptBasesTakeNoMore(t *testing.T) {
	r := row(t, 8)
	sealed := func(slab *Slab, n int) int64 { return int64(slab.Frames[n].Sealed) }
	s, _ := r.keptIn(t, t.TempDir(), 0)
	slab, err := s.Open(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		room int64
		want int
	}{
		{sealed(slab, 0) + sealed(slab, 2), 2},
		{sealed(slab, 0) + sealed(slab, 2) - 1, 1},
	} {
		dir := t.TempDir()
		s, counted := r.keptIn(t, dir, test.room)
		r.bases(t, s, counted, 0, 2, 4, 6)
		if kept, _ := filepath.Glob(filepath.Join(dir, "copies", names.Slab(r.slab)+"-[0-9]*")); len(kept) != test.want {
			t.Errorf("in room for %d bytes %d frames are kept, not %d", test.room, len(kept), test.want)
		}
	}
}

// A frame that can be read is, though what lies behind it can't.
func TestBaseBeforeAHole(t *testing.T) {
	r := row(t, 8)
	s, counted := r.keptIn(t, t.TempDir(), 0)
	r.bases(t, s, counted, 0)
	counted.Inject(storagetest.Fault{Method: storagetest.ReadAt, From: counted.Calls(storagetest.ReadAt), Once: true, Effect: storagetest.Fail})
	if got := r.bases(t, s, counted, 1); got != 2 {
		t.Errorf("%d reads", got)
	}
}

// A frame that is harmed in the copy of its slab's end is read of the storage, and the copy goes.
func TestHarmedEnd(t *testing.T) {
	r := row(t, 9)
	dir := t.TempDir()
	opened := func() (*Slabs, *Slab) {
		s, _ := r.keptIn(t, dir, 1<<20)
		s.guess = 1500
		slab, err := s.Open(t.Context(), r.slab)
		if err != nil {
			t.Fatal(err)
		}
		return s, slab
	}
	_, slab := opened()
	file := filepath.Join(dir, "copies", endCopy(r.slab))
	kept, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	at := slab.offsets[8]
	frame := r.slabBytes(t)[at:slab.end]
	i := bytes.Index(kept, frame)
	if i < 0 {
		t.Fatal("the last frame is not in the copy")
	}
	kept[i+5] ^= 1
	if err := os.WriteFile(file, kept, 0o600); err != nil {
		t.Fatal(err)
	}
	s, slab := opened()
	if got, err := s.BaseFrame(t.Context(), slab, 8); err != nil || !bytes.Equal(got, r.chunks[8]) {
		t.Errorf("%d bytes, %v", len(got), err)
	}
	if _, err := os.Stat(file); !os.IsNotExist(err) {
		t.Errorf("the copy is there yet: %v", err)
	}
}
