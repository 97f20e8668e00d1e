package tarstream

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/bits"
)

const blockSize = 512

// A block is one header block. The positions of its fields are those of POSIX
// pax, "ustar Interchange Format", and of the GNU tar manual, "Basic Tar
// Format".
type block []byte

func (b block) name() []byte     { return b[0:100] }
func (b block) mode() []byte     { return b[100:108] }
func (b block) uid() []byte      { return b[108:116] }
func (b block) gid() []byte      { return b[116:124] }
func (b block) size() []byte     { return b[124:136] }
func (b block) mtime() []byte    { return b[136:148] }
func (b block) chksum() []byte   { return b[148:156] }
func (b block) typeflag() byte   { return b[156] }
func (b block) linkname() []byte { return b[157:257] }
func (b block) magic() []byte    { return b[257:265] } // with the version behind it
func (b block) uname() []byte    { return b[265:297] }
func (b block) gname() []byte    { return b[297:329] }
func (b block) devmajor() []byte { return b[329:337] }
func (b block) devminor() []byte { return b[337:345] }
func (b block) prefix() []byte   { return b[345:500] } // ustar
func (b block) starEnd() []byte  { return b[508:512] } // star
func (b block) extended() bool   { return b[482] != 0 }
func (b block) realSize() []byte { return b[483:495] } // old GNU sparse

// Old GNU sparse members have blocks with more of the map behind the header;
// this byte of each says whether another one follows.
func moreExtension(b []byte) bool { return b[504] != 0 }

// The types of header blocks that matter here.
const (
	typeRegularOld = 0 // v7
	typeRegular    = '0'
	typeHardlink   = '1'
	typeSymlink    = '2'
	typeChar       = '3'
	typeBlock      = '4'
	typeFolder     = '5'
	typeFIFO       = '6'
	typeContiguous = '7'
	typePax        = 'x'
	typePaxSun     = 'X' // Solaris, before the standard
	typePaxGlobal  = 'g'
	typeGNUName    = 'L'
	typeGNULink    = 'K'
	typeGNUSparse  = 'S'
	typeGNUFolder  = 'D' // with a list of names for its content
)

type format uint8

const (
	formatV7 format = iota
	formatUstar
	formatStar
	formatGNU
)

func (b block) format() format {
	switch {
	case string(b.magic()) == "ustar  \x00":
		return formatGNU
	case string(b.magic()[:6]) != "ustar\x00":
		return formatV7
	case string(b.starEnd()) == "tar\x00":
		return formatStar
	}
	return formatUstar
}

var zeroBlock [blockSize]byte

// isZero is for a block or a part of one.
func isZero(b []byte) bool { return bytes.Equal(b, zeroBlock[:len(b)]) }

// valid compares the checksum: the sum of all bytes, those of the checksum
// itself taken for spaces. Some old writers summed up signed bytes. A field
// without a digit is no sum: the signed one of other data may well be zero.
func (b block) valid() bool {
	sum, ok := parseOctal(b.chksum())
	if !ok || len(bytes.Trim(b.chksum(), " \x00")) == 0 {
		return false
	}
	unsigned, above := b.sum()
	return sum == unsigned || sum == unsigned-256*above
}

// sum gives the sum of all bytes, those of the checksum taken for spaces, and how many of
// the others are above 127, which are less by 256 where bytes are signed.
func (b block) sum() (sum, above int64) {
	const bytes, highest = 0x00ff00ff00ff00ff, 0x8080808080808080 // of each pair; of each byte
	var even, odd uint64                                          // four sums each, of 64 bytes
	for i := 0; i < blockSize; i += 8 {
		word := binary.LittleEndian.Uint64(b[i:])
		even += word & bytes
		odd += word >> 8 & bytes
		above += int64(bits.OnesCount64(word & highest))
	}
	for ; even|odd > 0; even, odd = even>>16, odd>>16 {
		sum += int64(even&0xffff + odd&0xffff)
	}
	for _, c := range b.chksum() {
		sum += ' ' - int64(c)
		above -= int64(c >> 7)
	}
	return sum, above
}

// parseNumber reads a number field: octal digits, or base-256 where the first
// bit is set (GNU tar manual, "Extensions to the Standard Format").
func parseNumber(f []byte) (int64, bool) {
	if f[0]&0x80 != 0 {
		return parseBase256(f)
	}
	return parseOctal(f)
}

// parseOctal reads octal digits between spaces and zero bytes; none at all are
// a zero.
func parseOctal(f []byte) (int64, bool) {
	f = bytes.TrimLeft(f, " \x00")
	var n int64
	for _, c := range f {
		switch {
		case c == ' ' || c == 0:
			return n, true
		case c < '0' || c > '7' || n > math.MaxInt64>>3:
			return 0, false
		}
		n = n<<3 | int64(c-'0')
	}
	return n, true
}

// parseBase256 reads a big-endian number in two's complement; the first bit of
// all is the mark, the second one the sign.
func parseBase256(f []byte) (int64, bool) {
	n := int64(int8(f[0]<<1)) >> 1
	for _, c := range f[1:] {
		if n > math.MaxInt64>>8 || n < math.MinInt64>>8 {
			return 0, false
		}
		n = n<<8 | int64(c)
	}
	return n, true
}

// text is a field up to its first zero byte.
func text(f []byte) string {
	f, _, _ = bytes.Cut(f, []byte{0})
	return string(f)
}

// roundUp adds the padding of a content; n is at most math.MaxInt64-blockSize.
func roundUp(n int64) int64 { return n + padding(n) }

func padding(n int64) int64 { return -n & (blockSize - 1) }
