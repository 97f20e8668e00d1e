package format

import (
	"bytes"
	"encoding/binary"
	"io"
)

// Headers of members are mostly zeros. They are packed: a byte 0 stands, with a
// byte n behind it, for n+1 zeros, and every other byte for itself. A run of
// zeros is packed as few pairs as will do, the last one the shortest.

// maxRun is the most zeros that one pair stands for.
const maxRun = 256

// PackZeros appends b, packed, to dst.
func PackZeros(dst, b []byte) []byte {
	for {
		i := bytes.IndexByte(b, 0)
		if i < 0 {
			return append(dst, b...)
		}
		dst = append(dst, b[:i]...)
		b = b[i:]
		n := leadingZeros(b[:min(len(b), maxRun)])
		dst = append(dst, 0, byte(n-1))
		b = b[n:]
	}
}

// leadingZeros counts the zeros that b begins with.
func leadingZeros(b []byte) int {
	n := 0
	for len(b)-n >= 8 && binary.LittleEndian.Uint64(b[n:]) == 0 {
		n += 8
	}
	for n < len(b) && b[n] == 0 {
		n++
	}
	return n
}

// UnpackZeros reads packed bytes until they stand for length ones, and gives
// those. It refuses what PackZeros does not write, and takes no more memory than
// length.
func UnpackZeros(r io.ByteReader, length int) ([]byte, error) {
	out := make([]byte, 0, length)
	short := false // the pair before stood for less than maxRun zeros
	for len(out) < length {
		c, err := r.ReadByte()
		if err != nil {
			return nil, err
		}
		if c != 0 {
			out = append(out, c)
			short = false
			continue
		}
		last, err := r.ReadByte()
		if err != nil {
			return nil, err
		}
		n := int(last) + 1
		if short || n > length-len(out) {
			return nil, damaged("zeros that are not packed as they should be")
		}
		short = n < maxRun
		out = out[:len(out)+n] // make has cleared it
	}
	return out, nil
}

// UnpackedLength gives the number of bytes that packed ones stand for, or
// MaxMemberHead+1 for more than MaxMemberHead of them.
func UnpackedLength(packed []byte) int {
	n := 0
	for i := 0; i < len(packed) && n <= MaxMemberHead; i++ {
		n++
		if packed[i] == 0 {
			if i++; i < len(packed) {
				n += int(packed[i])
			}
		}
	}
	return min(n, MaxMemberHead+1)
}
