package format

import (
	"bufio"
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
	u := &unpacking{out: make([]byte, 0, length)}
	for len(u.out) < length {
		c, err := r.ReadByte()
		if err != nil {
			return nil, err
		}
		var zeros byte
		if c == 0 {
			if zeros, err = r.ReadByte(); err != nil {
				return nil, err
			}
		}
		if err := u.add(c, zeros); err != nil {
			return nil, err
		}
		if in, ok := r.(*bufio.Reader); ok {
			ahead, _ := in.Peek(in.Buffered()) // what is there at hand
			n, err := u.addAll(ahead)
			if err != nil {
				return nil, err
			}
			in.Discard(n)
		}
	}
	return u.out, nil
}

// UnpackAll unpacks bytes that are all there, of which none may be left.
func UnpackAll(packed []byte) ([]byte, error) {
	u := &unpacking{out: make([]byte, 0, UnpackedLength(packed))}
	n, err := u.addAll(packed)
	if err == nil && (n < len(packed) || len(u.out) < cap(u.out)) {
		err = damaged("a header that is not packed as it should be")
	}
	return u.out, err
}

// unpacking is what was unpacked, of a length that its capacity says.
type unpacking struct {
	out   []byte
	short bool // the pair before stood for less than maxRun zeros
}

// add takes a byte; one that is 0 with the byte behind it.
func (u *unpacking) add(c, zeros byte) error {
	if c != 0 {
		u.out = append(u.out, c)
		u.short = false
		return nil
	}
	n := int(zeros) + 1
	if u.short || n > cap(u.out)-len(u.out) {
		return damaged("zeros that are not packed as they should be")
	}
	u.short = n < maxRun
	u.out = u.out[:len(u.out)+n] // make has cleared it
	return nil
}

// addAll takes as many bytes as are wanted and says how many of them that are.
func (u *unpacking) addAll(packed []byte) (n int, err error) {
	for n < len(packed) && len(u.out) < cap(u.out) {
		if packed[n] == 0 {
			if n+1 == len(packed) {
				break
			}
			if err := u.add(0, packed[n+1]); err != nil {
				return n, err
			}
			n += 2
			continue
		}
		run := packed[n:min(len(packed), n+cap(u.out)-len(u.out))]
		if i := bytes.IndexByte(run, 0); i >= 0 {
			run = run[:i]
		}
		u.out = append(u.out, run...)
		u.short = false
		n += len(run)
	}
	return n, nil
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
