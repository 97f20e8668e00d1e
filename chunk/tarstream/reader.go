package tarstream

import (
	"errors"
	"fmt"
	"io"
)

const (
	// MaxHeader is the most bytes that Reader puts before one content, padding
	// and extension headers with their payloads included. archive/tar refuses
	// longer payloads too.
	MaxHeader = 1 << 20

	// maxTrailing is how many bytes behind the end marker are held in memory;
	// more of them are a content.
	maxTrailing = 64 << 10
)

// Kind says what a [Part] is. The numbers are stored on disk and never reused.
type Kind uint8

const (
	// Bytes are no member: the end marker and what follows it, the rest of an
	// unfinished stream, or all of an input that is no tar stream.
	Bytes Kind = 0

	// Entry is a member.
	Entry Kind = 1
)

// A Part is a piece of the stream: bytes of headers, then a content. It is
// valid until the next call of Next.
type Part struct {
	Kind Kind

	// Header is what stands before the content, verbatim: the padding of the
	// content before, extension headers with their payloads (global ones too),
	// the member's header block, and old GNU sparse blocks. At most MaxHeader
	// bytes.
	Header []byte

	// Size is the length of the content, which Read returns: the stored bytes,
	// so the data between the holes for a sparse file. -1 stands for all that
	// is left. Only with Options.AcceptUnfinished may a content be shorter.
	Size int64

	// Offset is the position of Header in the stream.
	Offset int64
}

// Options changes what a [Reader] accepts. The zero value is strict.
type Options struct {
	// AcceptUnfinished takes a stream that is cut short or damaged as it is:
	// from the first header on that cannot be followed, everything is a part
	// of kind Bytes. Reader.Unfinished then tells what was wrong.
	AcceptUnfinished bool
}

// A Reader splits a stream into parts. Concatenating Header and content of all
// parts gives the stream again. Its memory is at most [MaxHeader] and some 130
// KiB. It is not safe for concurrent use.
type Reader struct {
	src    source
	accept bool
	state  readState
	tar    bool
	part   Part
	header []byte
	left   int64 // of the current content; -1: up to the end
	pad    int64 // of the current content
	err    error // stays
	wrong  error // what AcceptUnfinished accepted
}

type readState uint8

const (
	atStart readState = iota
	atHeader
	atEnd
)

// NewReader returns a [Reader] of the stream r. Errors of r are returned
// unchanged, and none is accepted as the end of the stream but one that
// matches [ErrUnfinished], and that one only with Options.AcceptUnfinished.
func NewReader(r io.Reader, o Options) *Reader {
	return &Reader{src: newSource(r, o.AcceptUnfinished), accept: o.AcceptUnfinished}
}

// Tar reports whether the stream is a tar stream: it starts with a header
// whose checksum is right, or with the two zero blocks of an empty one. It is
// known after the first Next.
func (r *Reader) Tar() bool { return r.tar }

// Offset returns how many bytes of the stream Next and Read have returned so
// far.
func (r *Reader) Offset() int64 { return r.src.offset }

// Unfinished returns what was wrong with a stream accepted by
// Options.AcceptUnfinished, once Next has returned io.EOF: an error matched by
// [ErrUnfinished] or [ErrHeader], or nil for a complete stream.
func (r *Reader) Unfinished() error {
	if r.wrong == nil {
		return r.src.cut
	}
	return r.wrong
}

// Next goes on to the next part; io.EOF follows the last. The content before
// must have been read to its end: [ErrContentLeft] is returned otherwise, and
// Next may be called again later. All other errors stay.
func (r *Reader) Next() (*Part, error) {
	if r.err != nil {
		return nil, r.err
	}
	if r.contentLeft() {
		return nil, ErrContentLeft
	}
	r.part, r.err = r.next()
	if r.err != nil {
		return nil, r.err
	}
	r.left = r.part.Size
	return &r.part, nil
}

func (r *Reader) contentLeft() bool {
	if r.left == 0 {
		return false
	}
	b, err := r.src.peek(1)
	return len(b) > 0 || err != io.EOF
}

// Read reads the content of the current part, and returns io.EOF at its end.
func (r *Reader) Read(p []byte) (int, error) {
	if r.err != nil {
		return 0, r.err
	}
	if r.left == 0 {
		return 0, io.EOF
	}
	if r.left > 0 && int64(len(p)) > r.left {
		p = p[:r.left]
	}
	n, err := r.src.Read(p)
	if r.left > 0 {
		r.left -= int64(n)
	}
	if err == io.EOF {
		err = r.endOfInput()
	}
	if err != nil && err != io.EOF {
		r.err = err
	}
	return n, err
}

// endOfInput is the error of Read where the input ends inside a content.
func (r *Reader) endOfInput() error {
	cut := r.left > 0
	r.left, r.pad, r.state = 0, 0, atEnd
	if !cut {
		return io.EOF
	}
	err := r.unfinished("inside the content of a member")
	if r.accept {
		r.wrong = err
		return io.EOF
	}
	return err
}

func (r *Reader) next() (Part, error) {
	r.header = r.header[:0]
	offset := r.src.offset
	var part Part
	var err error
	switch r.state {
	case atStart:
		part, err = r.start()
	case atHeader:
		part, err = r.member()
	default:
		return Part{}, io.EOF
	}
	if r.accept && (errors.Is(err, ErrUnfinished) || errors.Is(err, ErrHeader)) {
		r.wrong, err = err, nil
		r.state = atEnd
		part = Part{Kind: Bytes, Size: -1}
		if b, _ := r.src.peek(1); len(b) == 0 && len(r.header) == 0 {
			return Part{}, io.EOF
		}
	}
	part.Header, part.Offset = r.header, offset
	return part, err
}

// start tells a tar stream from other inputs by its first two blocks.
func (r *Reader) start() (Part, error) {
	b, err := r.src.peek(2 * blockSize)
	if err != nil && err != io.EOF {
		return Part{}, err
	}
	if looksLikeTar(b) {
		r.tar = true
		r.state = atHeader
		return r.member()
	}
	r.state = atEnd
	if len(b) == 0 {
		return Part{}, io.EOF
	}
	return Part{Kind: Bytes, Size: -1}, nil
}

// looksLikeTar decides on the first two blocks of an input, or all of it.
func looksLikeTar(b []byte) bool {
	if len(b) < blockSize {
		return false
	}
	return block(b[:blockSize]).valid() ||
		len(b) >= 2*blockSize && isZero(b[:blockSize]) && isZero(b[blockSize:2*blockSize])
}

// collect appends the next n bytes to the header and returns them.
func (r *Reader) collect(n int64, where string) ([]byte, error) {
	old := len(r.header)
	if n > int64(MaxHeader-old) {
		return nil, &HeaderError{Offset: r.src.offset, long: true,
			Reason: fmt.Sprintf("more than %d bytes of headers before one content", MaxHeader)}
	}
	for len(r.header) < old+int(n) {
		b, err := r.src.take(old + int(n) - len(r.header))
		r.header = append(r.header, b...)
		if err == io.EOF {
			return nil, r.unfinished(where)
		}
		if err != nil {
			return nil, err
		}
	}
	return r.header[old:], nil
}

func (r *Reader) unfinished(where string) error {
	if r.src.cut != nil {
		return r.src.cut
	}
	return &UnfinishedError{Offset: r.src.offset, Where: where}
}
