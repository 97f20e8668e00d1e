package delta

import "encoding/binary"

// Apply appends to dst what a delta says by base, which is exactly n bytes, or fails with ErrDamaged. It takes no memory
// for more than that. A base may come in pieces, which count as one after the other.
func Apply(dst, copies, literals []byte, n int, base ...[]byte) ([]byte, error) {
	on := newPieces(base)
	begin := len(dst)
	if cap(dst)-begin < n {
		dst = append(make([]byte, 0, begin+n), dst...)
	}
	for from := 0; len(copies) > 0; {
		var next step
		var err error
		if next, copies, err = readStep(copies); err != nil {
			return nil, err
		}
		left := n - (len(dst) - begin)
		if next.literals > uint64(len(literals)) || next.literals > uint64(left) {
			return nil, damaged("%d literals where %d and room for %d are left", next.literals, len(literals), left)
		}
		dst = append(dst, literals[:next.literals]...)
		literals, left = literals[next.literals:], left-int(next.literals)
		if next.by < -int64(from) || next.by > int64(on.length-from) {
			return nil, damaged("a copy from beside a base of %d bytes", on.length)
		}
		from += int(next.by)
		if next.length == 0 || next.length > uint64(on.length-from) || next.length > uint64(left) {
			return nil, damaged("a copy of %d bytes where %d and room for %d are left", next.length, on.length-from, left)
		}
		dst = on.appendTo(dst, from, int(next.length))
		from += int(next.length)
	}
	if left := n - (len(dst) - begin); len(literals) != left {
		return nil, damaged("%d literals at the end of what has %d bytes left", len(literals), left)
	}
	return append(dst, literals...), nil
}

// pieces is a base, which lies where it lies: to put it together first would copy about as much as a delta does itself.
type pieces struct {
	all        [][]byte
	length     int
	now, begin int // the piece that was copied from last, and where it begins in the base
}

func newPieces(all [][]byte) *pieces {
	p := &pieces{all: all}
	for _, one := range all {
		p.length += len(one)
	}
	return p
}

// appendTo appends n bytes of the base, from a place on. All of them are there.
func (p *pieces) appendTo(dst []byte, from, n int) []byte {
	for from < p.begin {
		p.now--
		p.begin -= len(p.all[p.now])
	}
	for {
		piece := p.all[p.now]
		if at := from - p.begin; at < len(piece) {
			some := piece[at:min(at+n, len(piece))]
			dst, from, n = append(dst, some...), from+len(some), n-len(some)
			if n == 0 {
				return dst
			}
		}
		p.begin += len(piece)
		p.now++
	}
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
