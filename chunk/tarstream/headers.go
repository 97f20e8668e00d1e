package tarstream

import (
	"fmt"
	"io"
	"math"
)

// member collects headers up to the next content.
func (r *Reader) member() (Part, error) {
	if _, err := r.collect(r.pad, "inside the padding of a content"); err != nil {
		return Part{}, err
	}
	r.pad = 0
	where := "inside a header"
	if b, _ := r.src.peek(1); len(b) == 0 {
		where = "without its end marker of two zero blocks"
	}
	size := int64(-1) // from a pax record
	for {
		at := r.src.offset
		raw, err := r.collect(blockSize, where)
		if err != nil {
			return Part{}, err
		}
		b := block(raw)
		switch {
		case isZero(b):
			return r.end()
		case !b.valid():
			return Part{}, &HeaderError{Offset: at, Reason: "no tar header where one must be"}
		case !isExtension(b.typeflag()):
			return r.entry(b, at, size)
		}
		if size, err = r.extension(b, at, size); err != nil {
			return Part{}, err
		}
		where = "behind an extension header, before the header that it extends"
	}
}

// isExtension reports whether a header of this type describes the member
// behind it.
func isExtension(typeflag byte) bool {
	switch typeflag {
	case typePax, typePaxSun, typePaxGlobal, typeGNUName, typeGNULink:
		return true
	}
	return false
}

// extension collects the payload of an extension header, and returns the size
// record that is in force behind it. One in a global header says nothing about
// a member: archive/tar and libarchive ignore it too.
func (r *Reader) extension(b block, at, size int64) (int64, error) {
	n, err := sizeField(b, at)
	if err != nil {
		return 0, err
	}
	typeflag := b.typeflag()
	payload, err := r.collect(roundUp(n), "inside an extension header")
	if err != nil || typeflag != typePax && typeflag != typePaxSun {
		return size, err
	}
	value, found, ok := paxSize(payload[:n])
	if !ok {
		return 0, &HeaderError{Offset: at, Reason: "a size in the extended header that is no number"}
	}
	if !found {
		value = -1 // one extended header replaces another
	}
	return value, nil
}

// entry finds the length of the content behind a member's own header.
func (r *Reader) entry(b block, at, paxSize int64) (Part, error) {
	size, err := sizeField(b, at)
	if paxSize >= 0 {
		size, err = paxSize, nil
	}
	if err == nil && size > math.MaxInt64-blockSize {
		err = &HeaderError{Offset: at, Reason: "a size beyond all measure"}
	}
	if err != nil {
		return Part{}, err
	}
	switch typeflag := b.typeflag(); {
	case typeflag == typeGNUSparse && b.format() == formatGNU:
		err = r.sparseBlocks(b.extended())
	case typeflag == typeHardlink && paxSize > 0:
	case isBodiless(typeflag):
		size, err = r.bodiless(size)
	}
	if err != nil {
		return Part{}, err
	}
	r.pad = padding(size)
	return Part{Kind: Entry, Size: size}, nil
}

func (r *Reader) sparseBlocks(more bool) error {
	for more {
		b, err := r.collect(blockSize, "inside the map of a sparse file")
		if err != nil {
			return err
		}
		more = moreExtension(b)
	}
	return nil
}

func isBodiless(typeflag byte) bool { return typeflag >= typeHardlink && typeflag <= typeFIFO }

// bodiless decides on the content of links, folders, devices and FIFOs. They
// have none, whatever their size field says, if that leads to another header
// or to the end marker, as GNU tar, bsdtar and archive/tar read them. If it
// does not, the size counts: POSIX pax allows a hard link to bring its data.
func (r *Reader) bodiless(size int64) (int64, error) {
	if size == 0 {
		return 0, nil
	}
	b, err := r.src.peek(blockSize)
	if err != nil && err != io.EOF {
		return 0, err
	}
	if len(b) < blockSize || isZero(b) || block(b).valid() {
		return 0, nil
	}
	return size, nil
}

// end is called with the first zero block collected. As in GNU tar, a lone one
// ends the stream too (it warns about that), and what stands behind it is not
// looked at. Only a stream that ends within the second block was cut.
func (r *Reader) end() (Part, error) {
	b, err := r.src.peek(blockSize)
	if err != nil && err != io.EOF {
		return Part{}, err
	}
	if len(b) > 0 && isZero(b) {
		if _, err := r.collect(blockSize, "inside its end marker"); err != nil {
			return Part{}, err
		}
	}
	r.state = atEnd
	b, err = r.src.peek(maxTrailing + 1)
	if err != nil && err != io.EOF {
		return Part{}, err
	}
	if len(b) > min(maxTrailing, MaxHeader-len(r.header)) {
		return Part{Kind: Bytes, Size: -1}, nil
	}
	_, err = r.collect(int64(len(b)), "")
	return Part{Kind: Bytes}, err
}

// sizeField reads the size of a header block.
func sizeField(b block, at int64) (int64, error) {
	n, ok := parseNumber(b.size())
	if !ok || n < 0 || n > math.MaxInt64-blockSize {
		return 0, &HeaderError{Offset: at, Reason: fmt.Sprintf("a size field that is no size (% x)", b.size())}
	}
	return n, nil
}
