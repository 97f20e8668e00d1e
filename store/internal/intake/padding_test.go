package intake

import (
	"encoding/binary"
	"fmt"
	"slices"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/names"
)

func isPadded(n int) bool { return format.PaddedLength(n) == n }

// shown are the lengths that whoever lacks the key can see.
type shown struct {
	slabs, sections, records []int
}

// shown gives what can be seen of the slabs and tables, without a key but for where
// the sections begin.
func (r *repo) shown(t testing.TB) (s shown) {
	t.Helper()
	for _, name := range r.listed(t, names.Slabs) {
		b := r.bytes(t, name)
		s.slabs = append(s.slabs, len(b))
		id, err := names.ParseSlab(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, rec := range r.slabRecords(t) {
			at := format.HeaderSize
			for i := range rec.Frames {
				at += int(rec.Frames[i].Sealed)
			}
			if rec.Slab == id {
				s.sections = append(s.sections, int(binary.LittleEndian.Uint64(b[at+8:])))
			}
		}
	}
	for _, name := range r.listed(t, names.Tables) {
		for b := r.bytes(t, name)[format.HeaderSize:]; len(b) > 0; {
			n := int(binary.LittleEndian.Uint32(b))
			s.records = append(s.records, n)
			b = b[4+n:]
		}
	}
	return s
}

func (r *repo) bytes(t testing.TB, name string) []byte {
	t.Helper()
	info, err := r.storage.Stat(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	b := make([]byte, info.Size)
	if err := r.storage.ReadAt(t.Context(), name, b, 0); err != nil {
		t.Fatal(err)
	}
	return b
}

// take takes chunks in, each as a member, and gives what shows of a fresh repository.
func take(t testing.TB, apart Apart, x func(*repo) *known.Index, chunks ...[]byte) (*repo, shown) {
	t.Helper()
	r := newRepo(t)
	r.apart = apart
	index := x(r)
	before := len(r.listed(t, names.Slabs))
	in := r.start(t, t.Context(), index)
	s := in.Stream(Contents)
	for _, c := range chunks {
		if err := in.NewMember(s); err != nil {
			t.Fatal(err)
		}
		mustPut(t, in, s, c)
	}
	mustClose(t, in)
	if before == 0 {
		r.wantWhole(t)
	}
	return r, r.shown(t)
}

func nothing(*repo) *known.Index { return known.New() }

// TestSlabsArePadded: all lengths that show are PADMÉ lengths, whatever is taken in.
func TestSlabsArePadded(t *testing.T) {
	for _, chunks := range [][][]byte{
		noise(1, 1, 1), noise(1, 1, 17), noise(1, 2, 200), noise(1, 3, 4000), noise(1, 700, 30), noise(1, 100, testMaxChunk),
		{make([]byte, testMaxChunk)}, slices.Concat(noise(2, 5000, 3), noise(3, 30, 60000)),
	} {
		for _, apart := range []Apart{{}, {Group: make([]byte, 16)}, {Group: make([]byte, 16), Stored: true}} {
			r, s := take(t, apart, nothing, chunks...)
			for _, n := range slices.Concat(s.slabs, s.sections, s.records) {
				if !isPadded(n) {
					t.Errorf("%d chunks: a length of %d, which %d is the next to", len(chunks), n, format.PaddedLength(n))
				}
			}
			if len(s.sections) != len(s.slabs) || len(s.records) != len(s.slabs)+1 {
				t.Errorf("%+v", s)
			}
			if n := r.known(t).Len(); n != len(chunks) {
				t.Errorf("%d chunks are known of %d", n, len(chunks))
			}
		}
	}
}

// TestSlabsHaveLengthsOfFew takes in from 1 to some hundreds of bytes: few lengths show.
func TestSlabsHaveLengthsOfFew(t *testing.T) {
	seen := map[string]int{}
	for n := 5000; n < 5600; n++ {
		_, s := take(t, Apart{}, nothing, noise(1, 1, n)...)
		seen[fmt.Sprint(s)]++
	}
	if len(seen) > 5 {
		t.Errorf("600 lengths of a content show as %d: %v", len(seen), seen)
	}
}

// TestNumberOfChunksDoesNotShow: contents of one length that are cut into other numbers of
// chunks have tables of the same length, up to the next step.
func TestNumberOfChunksDoesNotShow(t *testing.T) {
	seen := map[string]int{}
	const all = 300_000
	for n := 400; n < 430; n++ {
		chunks := noise(1, n, all/n)
		chunks = append(chunks, make([]byte, all-n*(all/n)+300)) // of many lengths
		_, s := take(t, Apart{}, nothing, chunks...)
		seen[fmt.Sprint(s)]++
	}
	if len(seen) > 8 { // they have 3 bytes each in the one table, and 19 in the other
		t.Errorf("30 numbers of chunks show as %d: %v", len(seen), seen)
	}
}

// TestKnownFileDoesNotShow: a session that stores a small content, and one that finds it
// known, show the same lengths.
func TestKnownFileDoesNotShow(t *testing.T) {
	fresh, probe := noise(1, 200, 5000), noise(2, 1, 700)[0]
	knows := func(r *repo) *known.Index {
		x := known.New()
		id := r.keys.NewHasher().Sum(probe)
		frames := []format.TableFrame{{Kind: format.Zstd, Sealed: 900, Chunks: []uint32{700}, IDs: id[:]}}
		if err := x.AddSlab(format.SlabID{7}, frames); err != nil {
			t.Fatal(err)
		}
		return x
	}
	_, stored := take(t, Apart{}, nothing, append(fresh, probe)...)
	_, found := take(t, Apart{}, knows, append(fresh, probe)...)
	if fmt.Sprint(stored) != fmt.Sprint(found) {
		t.Errorf("stored: %v\nfound:  %v", stored, found)
	}
}

// TestSlabsAreFull: a slab has at most SlabTarget bytes, and little is padding.
func TestSlabsAreFull(t *testing.T) {
	if testing.Short() {
		t.Skip("takes in two slabs")
	}
	r, s := take(t, Apart{}, nothing, twoSlabs()...)
	if len(s.slabs) != 2 {
		t.Fatalf("%d slabs", len(s.slabs))
	}
	for _, rec := range r.slabRecords(t) {
		padding := 0
		for i := range rec.Frames {
			if rec.Frames[i].Padding {
				padding += int(rec.Frames[i].Sealed)
			}
		}
		if rec.Length > format.SlabTarget || float64(padding) > 0.031*float64(rec.Length) {
			t.Errorf("a slab of %d bytes, of which %d are padding", rec.Length, padding)
		}
	}
}

// TestFramesOfMembers: where groups are apart, no frame has contents of two members.
func TestFramesOfMembers(t *testing.T) {
	chunks := noise(4, 30, 500)
	together, _ := take(t, Apart{}, nothing, chunks...)
	if n := len(unpadded(together.slabRecords(t)[0].Frames)); n != 1 {
		t.Errorf("%d frames where members may share one", n)
	}
	for _, stored := range []bool{false, true} {
		group := crypt.Group{1, 2, 3}
		r, _ := take(t, Apart{Group: group[:], Stored: stored}, nothing, chunks...)
		for _, rec := range r.slabRecords(t) {
			if string(rec.Group) != string(group[:]) {
				t.Errorf("group %x", rec.Group)
			}
			if n := len(unpadded(rec.Frames)); n != len(chunks) {
				t.Errorf("%d frames for %d members", n, len(chunks))
			}
		}
	}
}

// TestStored: nothing is compressed.
func TestStored(t *testing.T) {
	r, _ := take(t, Apart{Group: make([]byte, 16), Stored: true}, nothing, make([]byte, testMaxChunk), make([]byte, 1))
	for _, f := range unpadded(r.slabRecords(t)[0].Frames) {
		if int(f.Sealed) != format.RawFrame(int(f.Chunks[0]))+crypt.Overhead {
			t.Errorf("a chunk of %d bytes has a frame of %d", f.Chunks[0], f.Sealed)
		}
	}
}

// TestManyMembers has more of them than a slab may have frames: its table must stay one
// that can be read.
func TestManyMembers(t *testing.T) {
	if testing.Short() {
		t.Skip("takes in many members")
	}
	chunks := make([][]byte, maxSlabFrames+10)
	for i := range chunks {
		chunks[i] = binary.LittleEndian.AppendUint32(nil, uint32(i))
	}
	r, s := take(t, Apart{Group: make([]byte, 16)}, nothing, chunks...)
	if n := r.known(t).Len(); len(s.slabs) != 2 || n != len(chunks) {
		t.Errorf("%d slabs, %d chunks", len(s.slabs), n)
	}
}
