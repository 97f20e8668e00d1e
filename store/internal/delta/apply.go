package delta

import "encoding/binary"

// Apply appends to dst what a delta says by base, which is exactly n bytes, or fails with ErrDamaged. It takes no memory
// for more than that. A base may come in pieces, which count as one after the other.
func Apply(dst, copies, literals []byte, n int, base ...[]byte) ([]byte, error) {
	begin := len(dst)
	if cap(dst)-begin < n {
		dst = append(make([]byte, 0, begin+n), dst...)
	}
	dst = dst[:begin+n]
	left, on := dst[begin:], newPieces(base)
	for from := 0; len(copies) > 0; {
		var next step
		var err error
		if next, copies, err = readStep(copies); err != nil {
			return nil, err
		}
		if next.literals > uint64(len(literals)) || next.literals > uint64(len(left)) {
			return nil, damaged("%d literals where %d and room for %d are left", next.literals, len(literals), len(left))
		}
		if next.literals > 0 {
			copyAtOnce(left, literals, int(next.literals))
			literals, left = literals[next.literals:], left[next.literals:]
		}
		if next.by < -int64(from) || next.by > int64(on.length-from) {
			return nil, damaged("a copy from beside a base of %d bytes", on.length)
		}
		from += int(next.by)
		if next.length == 0 || next.length > uint64(on.length-from) || next.length > uint64(len(left)) {
			return nil, damaged("a copy of %d bytes where %d and room for %d are left", next.length, on.length-from, len(left))
		}
		on.copyTo(left, from, int(next.length))
		from, left = from+int(next.length), left[next.length:]
	}
	if len(literals) != len(left) {
		return nil, damaged("%d literals at the end of what has %d bytes left", len(literals), len(left))
	}
	copy(left, literals)
	return dst, nil
}

// copyAtOnce copies n bytes. Most copies have less than two blocks: these are copied as two where there is room, which is faster
// than to call for as many as there are. What is too much is written over by what comes next.
func copyAtOnce(dst, src []byte, n int) {
	if n <= 2*block && len(dst) >= 2*block && len(src) >= 2*block {
		*(*[2 * block]byte)(dst) = *(*[2 * block]byte)(src)
		return
	}
	copy(dst, src[:n])
}

// pieces is a base, which lies where it lies: to put it together first would copy about as much as a delta does itself.
type pieces struct {
	all    [][]byte
	length int
	now    []byte // the piece that was copied from last
	n      int    // its number
	begin  int    // where it begins in the base
}

func newPieces(all [][]byte) pieces {
	p := pieces{all: all}
	for _, one := range all {
		p.length += len(one)
	}
	if len(all) > 0 {
		p.now = all[0]
	}
	return p
}

// copyTo copies n bytes of the base, from a place on. All of them are there.
func (p *pieces) copyTo(dst []byte, from, n int) {
	for {
		if uint(from-p.begin) >= uint(len(p.now)) {
			p.seek(from)
		}
		piece := p.now[from-p.begin:]
		if n <= len(piece) {
			copyAtOnce(dst, piece, n)
			return
		}
		dst, from, n = dst[copy(dst, piece):], from+len(piece), n-len(piece)
	}
}

// seek finds the piece in which a place of the base lies.
func (p *pieces) seek(from int) {
	for from < p.begin {
		p.n--
		p.begin -= len(p.all[p.n])
	}
	for from-p.begin >= len(p.all[p.n]) {
		p.begin += len(p.all[p.n])
		p.n++
	}
	p.now = p.all[p.n]
}

// step is one copy, with the literals before it.
type step struct {
	literals uint64
	by       int64 // from where the copy before ended
	length   uint64
}

// readStep takes the first copy off.
func readStep(b []byte) (s step, rest []byte, err error) {
	var n int
	if s.literals, n = binary.Uvarint(b); n <= 0 {
		return s, nil, damaged("copies are cut short")
	}
	b = b[n:]
	if s.by, n = binary.Varint(b); n <= 0 {
		return s, nil, damaged("copies are cut short")
	}
	b = b[n:]
	if s.length, n = binary.Uvarint(b); n <= 0 {
		return s, nil, damaged("copies are cut short")
	}
	return s, b[n:], nil
}
