package format

import (
	"encoding/binary"
	"math/bits"

	"github.com/kistarchive/kist/crypt"
)

// Lengths can be seen without a key, and tell what is behind them. So objects are
// padded: of all lengths of about one size, one is seen.

// PaddedLength gives the PADMÉ length for n: the next one whose lowest E - S bits
// are zero, where E is the whole part of log2 n and S that of log2 E, plus 1
// (Nikitin et al., "Reducing Metadata Leakage from Encrypted Files and
// Communication with PURBs", PoPETs 2019). It is at most 12 % more than n.
func PaddedLength(n int) int {
	if n < 2 {
		return n
	}
	e := bits.Len(uint(n)) - 1
	mask := 1<<(e-bits.Len(uint(e))) - 1
	return (n + mask) &^ mask
}

// paddingField gives how many zeros a field of padding needs, with a key below 24, so
// that a record which has sealed bytes without the field gets a PADMÉ length; 0 means no
// field. The length is one that the record would get, too, if it had up to most bytes: it
// tells nothing of what is between. A field can't have every length; where that matters,
// the PADMÉ length after it is taken.
func paddingField(sealed, least, most int) int {
	for want := PaddedLength(most); ; want = PaddedLength(want + 1) {
		if fits(want-most, want-least) {
			return zerosIn(want - sealed)
		}
	}
}

// fits tells whether a field can have all lengths from one to another, or be left out.
func fits(from, to int) bool {
	for n := from; n <= to; n++ {
		if n > 0 && zerosIn(n) == 0 {
			return false
		}
	}
	return true
}

// zerosIn gives the length of a byte string that takes so many bytes with its key and
// its head, or 0 where there is none.
func zerosIn(field int) int {
	for _, length := range []int{1, 2, 3, 5} {
		if n := field - 1 - length; n > 0 && head(n) == length {
			return n
		}
	}
	return 0
}

// head gives the length of the head of a byte string of n bytes, which is that of the
// number n as well (RFC 8949, section 3).
func head(n int) int {
	switch {
	case n < 24:
		return 1
	case n < 1<<8:
		return 2
	case n < 1<<16:
		return 3
	}
	return 5
}

// checkPadding makes sure that padding says nothing.
func checkPadding(b []byte) error {
	if n := leadingZeros(b); n < len(b) {
		return damaged("padding that is not zero")
	}
	return nil
}

// shortFrame is by how many bytes the two lengths in a frame of padding may be shorter
// than the longest, of 5 bytes each. How long they are must not show: it tells how much is
// padding.
const shortFrame = 8

// framePadding is paddingField for a record that lists frames, of which last is the last.
func framePadding(plain int, last *Frame) []byte {
	sealed := plain + crypt.Overhead
	least, most := sealed, sealed
	if last != nil && last.Padding {
		most += 2 + shortFrame - head(int(last.Sealed)) - head(int(last.Chunks[0]))
		least = most - shortFrame
	}
	return make([]byte, paddingField(sealed, least, most))
}

// SealedLength gives the length in bytes of the table, padded and sealed. It does not
// depend on the length of the frame of padding.
func (t *SlabTable) SealedLength() int { return len(t.EncodePadded()) + crypt.Overhead }

// EncodePadded is Encode with as much padding as the sealed table is to have.
func (t *SlabTable) EncodePadded() []byte {
	padded := *t
	padded.Padding = nil
	var last *Frame
	if n := len(t.Frames); n > 0 {
		last = &t.Frames[n-1]
	}
	padded.Padding = framePadding(len(padded.Encode()), last)
	return padded.Encode()
}

// EncodePadded is Encode with as much padding as the sealed record is to have.
func (r *SlabRecord) EncodePadded() []byte {
	padded := *r
	padded.Padding = nil
	var last *Frame
	if n := len(r.Frames); n > 0 {
		f := r.Frames[n-1].Frame()
		last = &f
	}
	padded.Padding = framePadding(len(padded.Encode()), last)
	return padded.Encode()
}

// encodePadded is EncodeIndexFile with as much padding as the sealed record is to have.
func (f *IndexFile) encodePadded() []byte {
	padded := *f
	padded.Padding = nil
	sealed := len(EncodeIndexFile(&padded)) + crypt.Overhead
	padded.Padding = make([]byte, paddingField(sealed, sealed, sealed))
	return EncodeIndexFile(&padded)
}

// A raw block and a frame of them (RFC 8878, section 3.1.1).
const (
	rawBlock     = 128 << 10 // Block_Maximum_Size
	rawBlockHead = 3
	rawHead      = 4 + 1 + 4 // Magic_Number, Frame_Header_Descriptor, Frame_Content_Size

	// MinRawFrame is the length in bytes of the shortest frame of raw blocks that has
	// contents.
	MinRawFrame = rawHead + rawBlockHead + 1
)

// RawContents gives how many bytes of contents a frame of raw blocks has that is n bytes
// long, MinRawFrame at the least.
func RawContents(n int) int { return n - rawHead - rawBlockHead*rawBlocks(n) }

func rawBlocks(n int) int {
	return (n - rawHead + rawBlock + rawBlockHead - 1) / (rawBlock + rawBlockHead)
}

// RawFrame gives the length of a frame of raw blocks that has n bytes of contents.
func RawFrame(n int) int { return rawHead + n + rawBlockHead*((n+rawBlock-1)/rawBlock) }

// AppendRawFrame appends a Zstandard frame of n bytes with the contents in raw blocks,
// uncompressed. n is RawFrame of the contents' length, or such that the contents have
// RawContents(n) bytes: then the last block may be empty.
func AppendRawFrame(dst []byte, contents []byte, n int) []byte {
	dst = append(dst, 0x28, 0xb5, 0x2f, 0xfd)
	dst = append(dst, 0xa0) // Frame_Content_Size of 4 bytes, Single_Segment_Flag, no checksum
	dst = binary.LittleEndian.AppendUint32(dst, uint32(len(contents)))
	for left := rawBlocks(n); left > 0; left-- {
		block := contents[:min(len(contents), rawBlock)]
		contents = contents[len(block):]
		blockHead := uint32(len(block)) << 3 // Raw_Block
		if left == 1 {
			blockHead |= 1 // Last_Block
		}
		dst = append(dst, byte(blockHead), byte(blockHead>>8), byte(blockHead>>16))
		dst = append(dst, block...)
	}
	return dst
}
