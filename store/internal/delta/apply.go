package delta

import "encoding/binary"

// Delta is what copies and literals say, held against how long it and the base are.
type Delta struct {
	copies, literals []byte
	length           int
	pieces           []int // their lengths
	needed           []bool
}

// Parse holds a delta against n, the bytes that it must give, and the lengths of the base's pieces, which count as one after the
// other, or fails with ErrDamaged. It needs no byte of the base, and what it gives stays good as long as copies and literals stay
// what they are.
func Parse(copies, literals []byte, n int, pieces ...int) (*Delta, error) {
	d := &Delta{copies: copies, literals: literals, length: n, pieces: pieces, needed: make([]bool, len(pieces))}
	base := 0
	for _, length := range pieces {
		base += length
	}
	from, left, literal := 0, uint64(n), uint64(len(literals))
	reached := reach{Delta: d, piece: -1}
	for len(copies) > 0 {
		var next step
		var err error
		if next, copies, err = readStep(copies); err != nil {
			return nil, err
		}
		if next.literals > literal || next.literals > left {
			return nil, damaged("%d literals where %d and room for %d are left", next.literals, literal, left)
		}
		literal, left = literal-next.literals, left-next.literals
		if next.by < -int64(from) || next.by > int64(base-from) {
			return nil, damaged("a copy from beside a base of %d bytes", base)
		}
		from += int(next.by)
		if next.length == 0 || next.length > uint64(base-from) || next.length > left {
			return nil, damaged("a copy of %d bytes where %d and room for %d are left", next.length, base-from, left)
		}
		reached.note(from, from+int(next.length))
		from, left = from+int(next.length), left-next.length
	}
	if literal != left {
		return nil, damaged("%d literals at the end of what has %d bytes left", literal, left)
	}
	return d, nil
}

// reach notes from which pieces bytes are copied.
type reach struct {
	*Delta
	piece      int // that was copied from last
	begin, end int // in the base; 0, 0: none was yet
}

// note notes that bytes are copied, of which all are there.
func (r *reach) note(from, to int) {
	for from < r.begin {
		r.piece--
		r.begin, r.end = r.begin-r.pieces[r.piece], r.begin
	}
	for from >= r.end {
		r.next()
	}
	r.needed[r.piece] = true
	for to > r.end {
		r.next()
		r.needed[r.piece] = r.pieces[r.piece] > 0
	}
}

func (r *reach) next() {
	r.piece++
	r.begin, r.end = r.end, r.end+r.pieces[r.piece]
}

// Needs tells whether bytes of a piece of the base are copied.
func (d *Delta) Needs(piece int) bool { return d.needed[piece] }

// Append appends to dst what the delta says by the base's pieces, which are as long as Parse was told; those that it does not need
// may be nil. It takes no memory for more than that.
func (d *Delta) Append(dst []byte, base ...[]byte) []byte {
	begin := len(dst)
	if cap(dst)-begin < d.length {
		dst = append(make([]byte, 0, begin+d.length), dst...)
	}
	dst = dst[:begin+d.length]
	left, on := dst[begin:], source{base: base, pieces: d.pieces}
	copies, literals := d.copies, d.literals
	for from := 0; len(copies) > 0; {
		var next step
		next, copies, _ = readStep(copies)
		if next.literals > 0 {
			copyAtOnce(left, literals, int(next.literals))
			literals, left = literals[next.literals:], left[next.literals:]
		}
		from += int(next.by)
		on.copyTo(left, from, int(next.length))
		from, left = from+int(next.length), left[next.length:]
	}
	copy(left, literals)
	return dst
}

// Apply is Parse and Append.
func Apply(dst, copies, literals []byte, n int, base ...[]byte) ([]byte, error) {
	lengths := make([]int, len(base))
	for i, piece := range base {
		lengths[i] = len(piece)
	}
	d, err := Parse(copies, literals, n, lengths...)
	if err != nil {
		return nil, err
	}
	return d.Append(dst, base...), nil
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

// source is a base, which lies where it lies: to put it together first would copy about as much as a delta does itself.
type source struct {
	base   [][]byte
	pieces []int  // their lengths
	now    []byte // the piece that was copied from last
	n      int    // its number
	begin  int    // where it begins in the base
}

// copyTo copies n bytes of the base, from a place on. All of them are there.
func (s *source) copyTo(dst []byte, from, n int) {
	for {
		if uint(from-s.begin) >= uint(len(s.now)) {
			s.seek(from)
		}
		piece := s.now[from-s.begin:]
		if n <= len(piece) {
			copyAtOnce(dst, piece, n)
			return
		}
		dst, from, n = dst[copy(dst, piece):], from+len(piece), n-len(piece)
	}
}

// seek finds the piece in which a place of the base lies.
func (s *source) seek(from int) {
	for from < s.begin {
		s.n--
		s.begin -= s.pieces[s.n]
	}
	for from-s.begin >= s.pieces[s.n] {
		s.begin += s.pieces[s.n]
		s.n++
	}
	s.now = s.base[s.n]
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
