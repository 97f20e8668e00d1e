package tarstream

import (
	"bufio"
	"bytes"
	"errors"
	"io"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
	"github.com/ulikunitz/xz"
)

// Compression names a compression format; "" is none.
type Compression string

// The formats that Decompress unpacks.
const (
	Gzip Compression = "gzip" // RFC 1952, any number of members
	Zstd Compression = "zstd" // RFC 8878, any number of frames
	XZ   Compression = "xz"   // any number of streams
)

// MaxWindow is the most memory that a compressed input may ask its reader to
// keep of what was unpacked. It is what zstd --long=27 (the zstd program's own
// limit without an explicit --long) and twice what xz -9 asks for.
const MaxWindow = 128 << 20

// peekSize is how much of an input is looked at. A first block of zstd, the
// largest unit that must be there as a whole, has at most 128 KiB.
const peekSize = 256 << 10

// Decompress unpacks an input that is a compressed tar stream, and passes any
// other on as it is: both what it recognises by its first bytes alone, never by
// a name. A compressed stream of anything else, and one whose first bytes
// cannot be unpacked, count as any other input.
//
// The reader fails with an error matched by ErrUnfinished when the compressed
// stream was cut short, by ErrCorrupt when it is damaged, and by ErrWindow
// when it needs more than MaxWindow, which Decompress itself returns where the
// start says so, whatever is inside. Errors of r are passed on unchanged.
//
// Close releases the reader's memory and goroutines, and leaves r alone. The
// reader is not safe for concurrent use.
func Decompress(r io.Reader) (io.ReadCloser, Compression, error) {
	in := &counting{r: r}
	buffered := bufio.NewReaderSize(in, peekSize)
	magic, err := buffered.Peek(6)
	if err != nil && err != io.EOF {
		return nil, "", err
	}
	c := recognise(magic)
	if c == "" {
		return io.NopCloser(buffered), "", nil
	}
	start, err := buffered.Peek(peekSize)
	if err != nil && err != io.EOF {
		return nil, "", err
	}
	if tar, err := holdsTar(c, start); err != nil {
		return nil, "", err
	} else if !tar {
		return io.NopCloser(buffered), "", nil
	}
	u := &unpacker{c: c, in: in, buffered: buffered}
	if u.r, err = open(c, buffered, false); err != nil {
		return nil, "", u.explain(err)
	}
	return u, c, nil
}

func recognise(b []byte) Compression {
	switch {
	case bytes.HasPrefix(b, []byte("\x1f\x8b\x08")):
		return Gzip
	case bytes.HasPrefix(b, []byte("\x28\xb5\x2f\xfd")),
		len(b) > 3 && b[0]&0xf0 == 0x50 && bytes.Equal(b[1:4], []byte("\x2a\x4d\x18")): // a skippable frame
		return Zstd
	case bytes.HasPrefix(b, []byte("\xfd7zXZ\x00")):
		return XZ
	}
	return ""
}

// holdsTar unpacks the start of a compressed input as far as it takes to see
// whether it is a tar stream.
func holdsTar(c Compression, start []byte) (bool, error) {
	r, err := open(c, bytes.NewReader(start), true)
	if err == nil {
		defer r.Close()
		b := make([]byte, 2*blockSize)
		var n int
		n, err = io.ReadFull(r, b)
		if looksLikeTar(b[:n]) {
			return true, nil
		}
	}
	if errors.Is(asWindowError(err), ErrWindow) {
		return false, asWindowError(err)
	}
	return false, nil
}

func open(c Compression, r io.Reader, trial bool) (io.ReadCloser, error) {
	switch c {
	case Gzip:
		return gzip.NewReader(r)
	case Zstd:
		options := []zstd.DOption{zstd.WithDecoderMaxWindow(MaxWindow), zstd.WithDecoderLowmem(true)}
		if trial {
			options = append(options, zstd.WithDecoderConcurrency(1)) // no reading ahead
		}
		d, err := zstd.NewReader(r, options...)
		if err != nil {
			return nil, err
		}
		return d.IOReadCloser(), nil
	default:
		x, err := xz.NewReader(newXZGuard(r))
		if err != nil {
			return nil, err
		}
		return io.NopCloser(x), nil
	}
}

// asWindowError translates what the libraries say.
func asWindowError(err error) error {
	if errors.Is(err, zstd.ErrWindowSizeExceeded) || errors.Is(err, zstd.ErrDecoderSizeExceeded) {
		return ErrWindow
	}
	return err
}

// unpacker counts what is unpacked and says what goes wrong.
type unpacker struct {
	c        Compression
	r        io.ReadCloser
	in       *counting
	buffered *bufio.Reader
	offset   int64
	err      error
}

func (u *unpacker) Read(p []byte) (int, error) {
	if u.err != nil {
		return 0, u.err
	}
	n, err := u.r.Read(p)
	u.offset += int64(n)
	if err != nil {
		u.err = u.explain(err)
	}
	return n, u.err
}

func (u *unpacker) Close() error { return u.r.Close() }

func (u *unpacker) explain(err error) error {
	if err == io.EOF {
		return err
	}
	if failed := u.in.failure(); failed != nil {
		return failed
	}
	if err = asWindowError(err); errors.Is(err, ErrWindow) {
		return err
	}
	if errors.Is(err, io.ErrUnexpectedEOF) {
		return &UnfinishedError{Offset: u.offset, Compressed: u.in.count(), Where: "inside its " + string(u.c) + " compression"}
	}
	return &CorruptError{Compression: u.c, Offset: u.offset, Compressed: u.in.count(), Err: err}
}
