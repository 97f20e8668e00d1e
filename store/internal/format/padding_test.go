package format

import (
	"bytes"
	"crypto/rand"
	"errors"
	"os"
	"os/exec"
	"testing"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/crypt"
)

// The lengths were worked out by hand from the paper's formula, which is from memory:
// Nikitin et al., PoPETs 2019, section on PADMÉ.
func TestPaddedLength(t *testing.T) {
	for n, want := range map[int]int{
		0: 0, 1: 1, 2: 2, 3: 3, 7: 7, 8: 8, 9: 10, 10: 10, 15: 16, 100: 104, 1000: 1024,
		1500: 1536, 1536: 1536, 1537: 1600, 309248: 311296, 1 << 20: 1 << 20, 1<<20 + 1: 1<<20 + 1<<15,
		32<<20 - 1: 32 << 20, 32 << 20: 32 << 20, 32<<20 + 1: 33 << 20,
	} {
		if got := PaddedLength(n); got != want {
			t.Errorf("%d is padded to %d, want %d", n, got, want)
		}
	}
	before := 0
	for n := range 1 << 18 {
		got := PaddedLength(n)
		if got < n || got < before || PaddedLength(got) != got || float64(got) > 1.12*float64(n) {
			t.Fatalf("%d is padded to %d, after %d", n, got, before)
		}
		before = got
	}
}

func isPadded(n int) bool { return PaddedLength(n) == n }

// TestRecordsArePadded encodes records of every length up to where the head of their
// padding is the longest. What is padded says the same as before.
func TestRecordsArePadded(t *testing.T) {
	shorter, most := 0, 200_000
	if testing.Short() {
		most = 20_000
	}
	for chunks := 1; chunks < most; chunks += 1 + chunks/40 {
		table := &SlabTable{}
		for left := chunks; left > 0; left -= MaxFrameChunks {
			f := Frame{Kind: Zstd, Sealed: 100, Chunks: make([]uint32, min(left, MaxFrameChunks))}
			for i := range f.Chunks {
				f.Chunks[i] = uint32(1 + i%900)
			}
			table.Frames = append(table.Frames, f)
		}
		b := table.EncodePadded()
		bare, sealed := len(table.Encode())+crypt.Overhead, len(b)+crypt.Overhead
		if !isPadded(sealed) || sealed < bare {
			t.Fatalf("%d chunks: %d bytes, %d with padding", chunks, bare, sealed)
		}
		if sealed > PaddedLength(bare) {
			shorter++
			if sealed != PaddedLength(PaddedLength(bare)+1) {
				t.Fatalf("%d chunks: %d bytes, %d with padding", chunks, bare, sealed)
			}
		}
		got, err := DecodeSlabTable(b)
		if err != nil || got.Padding == nil && sealed != bare {
			t.Fatal(err)
		}
		if got.Padding = nil; !bytes.Equal(got.Encode(), table.Encode()) {
			t.Fatalf("%d chunks: padding changed the table", chunks)
		}
		if again := got.EncodePadded(); !bytes.Equal(again, b) {
			t.Fatalf("%d chunks: padded another way the second time", chunks)
		}
	}
	if shorter == 0 {
		t.Error("no length is one that a field can't reach: that tests little")
	}
}

// TestPaddingFrameDoesNotShow: the length of a table, and of a record, does not depend on
// that of the frame of padding.
func TestPaddingFrameDoesNotShow(t *testing.T) {
	for frames := range 60 {
		table, record := &SlabTable{}, &SlabRecord{Length: 1 << 20}
		for range frames {
			table.Frames = append(table.Frames, Frame{Kind: Zstd, Sealed: 30, Chunks: []uint32{5, 6}})
			record.Frames = append(record.Frames, TableFrame{Kind: Zstd, Sealed: 30, Chunks: []uint32{5, 6}, IDs: make([]byte, 32)})
		}
		seen := map[[2]int]bool{}
		for _, n := range []uint32{MinRawFrame + 16, 23, 24, 48, 49, 255, 256, 300, 65535, 65536, 70000, 1 << 20} {
			c := []uint32{uint32(max(1, int(n)-40))}
			table.Frames = append(table.Frames[:frames:frames], Frame{Kind: Zstd, Sealed: n, Chunks: c, Padding: true})
			record.Frames = append(record.Frames[:frames:frames], TableFrame{Kind: Zstd, Sealed: n, Chunks: c, IDs: make([]byte, 16), Padding: true})
			lengths := [2]int{table.SealedLength(), len(record.EncodePadded()) + crypt.Overhead}
			if !isPadded(lengths[0]) || !isPadded(lengths[1]) {
				t.Errorf("%d frames and padding of %d: %v", frames, n, lengths)
			}
			seen[lengths] = true
		}
		if len(seen) != 1 {
			t.Errorf("%d frames: %v", frames, seen)
		}
	}
}

func TestSealedIndexFileIsPadded(t *testing.T) {
	f := sampleIndexFile()
	sealer, opener := testObject(t, Capture)
	seen := map[int]bool{}
	for n := range 300 {
		f.Note = string(bytes.Repeat([]byte("b"), n))
		sealed := SealIndexFile(nil, f, sealer)
		if !isPadded(len(sealed)) {
			t.Errorf("a note of %d bytes: %d", n, len(sealed))
		}
		seen[len(sealed)] = true
		if got, err := OpenIndexFile(sealed, opener); err != nil || got.Note != f.Note || got.Padding != nil {
			t.Errorf("a note of %d bytes: %v", n, err)
		}
	}
	if len(seen) > 15 {
		t.Errorf("300 index files have %d lengths", len(seen))
	}
}

func TestBadExtras(t *testing.T) {
	zero := func(n int) []byte { return make([]byte, n) }
	frames := []TableFrame{{Kind: Zstd, Sealed: 9, Chunks: []uint32{1}, IDs: zero(16), Padding: true}, {Kind: Zstd, Sealed: 9, Chunks: []uint32{1}, IDs: zero(16)}}
	last := []TableFrame{frames[1], frames[0], frames[0]}
	for _, test := range []struct {
		name           string
		group, padding []byte
		frames         []TableFrame
		good           bool
	}{
		{"nothing", nil, nil, nil, true},
		{"group and padding", zero(16), zero(7), last, true},
		{"padding of ones", nil, []byte{0, 0, 1}, nil, false},
		{"short group", zero(15), nil, nil, false},
		{"long group", zero(17), nil, nil, false},
		{"a frame behind padding", nil, nil, frames, false},
	} {
		r := SlabRecord{Frames: test.frames, Group: test.group, Padding: test.padding}
		table := SlabTable{Group: test.group, Padding: test.padding}
		for i := range test.frames {
			table.Frames = append(table.Frames, test.frames[i].Frame())
		}
		_, err := DecodeSlabRecord(r.Encode())
		_, err2 := DecodeSlabTable(table.Encode())
		if test.good != (err == nil) || test.good != (err2 == nil) || !test.good && (!errors.Is(err, ErrDamaged) || !errors.Is(err2, ErrDamaged)) {
			t.Errorf("%s: %v, %v", test.name, err, err2)
		}
	}
	f := sampleIndexFile()
	f.Padding = []byte{1}
	if _, err := DecodeIndexFile(EncodeIndexFile(f)); !errors.Is(err, ErrDamaged) {
		t.Errorf("an index file: %v", err)
	}
}

// TestRawFrames makes frames of every length around the ends of blocks. A decoder that is
// not this package's must take them, where there is one the reference implementation of RFC 8878 too.
func TestRawFrames(t *testing.T) {
	d, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	program, err := exec.LookPath("zstd")
	if err != nil && os.Getenv("KIST_TEST_REQUIRE") == "all" {
		t.Fatal(err)
	}
	var lengths []int
	for _, about := range []int{MinRawFrame, 300, rawBlock, rawHead + rawBlockHead + rawBlock, rawHead + 2*(rawBlockHead+rawBlock), 5*rawBlock + 17, MaxChunk} {
		for n := max(MinRawFrame, about-8); n < about+8; n++ {
			lengths = append(lengths, n)
		}
	}
	for i, n := range lengths {
		contents := make([]byte, RawContents(n))
		rand.Read(contents)
		b := AppendRawFrame(nil, contents, n)
		if len(b) != n || len(contents) == 0 {
			t.Fatalf("a frame of %d bytes has %d, of %d contents", n, len(b), len(contents))
		}
		if got, err := d.DecodeAll(b, nil); err != nil || !bytes.Equal(got, contents) {
			t.Errorf("%d bytes: %v", n, err)
		}
		if own := RawFrame(len(contents)); own != n && own != n-rawBlockHead {
			t.Errorf("%d bytes of contents are a frame of %d, or of %d", len(contents), own, n)
		}
		if program == "" || i%5 != 0 {
			continue
		}
		c := exec.CommandContext(t.Context(), program, "--decompress", "--stdout", "--quiet", "--memory=8MB")
		c.Stdin = bytes.NewReader(b)
		if got, err := c.Output(); err != nil || !bytes.Equal(got, contents) {
			t.Errorf("%d bytes: the program says %v", n, err)
		}
	}
}
