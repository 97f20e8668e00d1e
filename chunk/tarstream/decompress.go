package tarstream

import (
	"bufio"
	"bytes"
	"compress/bzip2"
	"errors"
	"fmt"
	"io"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
	"github.com/ulikunitz/xz"
)

// Compression names a compression format; "" is none.
type Compression string

// The formats that [Decompress] unpacks.
const (
	Gzip Compression = "gzip" // RFC 1952, any number of members
	Zstd Compression = "zstd" // RFC 8878, any number of frames
	XZ   Compression = "xz"   // any number of streams

	Bzip2 Compression = "bzip2" // any number of streams
)

// MaxWindow is the most memory that a compressed input may ask its reader to
// keep of what was unpacked. It is what zstd --long=27 (the zstd program's own
// limit without an explicit --long) and twice what xz -9 asks for.
const MaxWindow = 128 << 20

// peekSize is how much of an input is looked at. A first block of zstd, the
// largest unit of most formats that must be there as a whole, has at most 128 KiB.
const peekSize = 256 << 10

// peekBzip2 is that for bzip2, a block of which holds up to 900,000 bytes, and may be a hundredth
// longer than these (bzip2 manual, "Options").
const peekBzip2 = 1 << 20

// Decompress unpacks an input that is a compressed tar stream, and passes any
// other on as it is, a compressed stream of anything else included. It goes by
// content alone, never by a name: by the magic number of a format, and by what
// the first bytes unpack to. For that it reads up to 256 KiB at once (1 MiB of bzip2); where
// they are too few, as behind a large skippable frame, the input passes.
//
// An error is matched by [ErrUnfinished] when the compressed stream was cut
// short, by [ErrCorrupt] when it cannot be unpacked, and by [ErrWindow] when it
// needs more than [MaxWindow]. The reader returns it, or Decompress itself where
// so little can be unpacked that what is inside remains unknown. Errors of r
// are passed on unchanged.
//
// Close releases the reader's memory and goroutines, and leaves r alone. The
// reader is not safe for concurrent use.
func Decompress(r io.Reader) (io.ReadCloser, Compression, error) {
	in := &counting{r: r}
	buffered := bufio.NewReaderSize(in, peekSize)
	magic, err := buffered.Peek(magicSize)
	if err != nil && err != io.EOF {
		return nil, "", err
	}
	c := recognise(magic)
	if c == "" {
		return io.NopCloser(buffered), "", nil
	}
	size := peekSize
	if c == Bzip2 {
		size = peekBzip2
		buffered = bufio.NewReaderSize(buffered, size)
	}
	start, err := buffered.Peek(size)
	if err != nil && err != io.EOF {
		return nil, "", err
	}
	tar, err := holdsTar(c, start, len(start) == size)
	if err != nil {
		return nil, "", err
	}
	if !tar {
		return io.NopCloser(buffered), "", nil
	}
	u := &unpacker{c: c, in: in}
	if u.r, err = open(c, buffered, false); err != nil {
		return nil, "", u.explain(err)
	}
	return u, c, nil
}

const magicSize = 10 // of the longest

func recognise(b []byte) Compression {
	switch {
	case bytes.HasPrefix(b, []byte("\x1f\x8b\x08")):
		return Gzip
	case bytes.HasPrefix(b, []byte("\x28\xb5\x2f\xfd")),
		len(b) > 3 && b[0]&0xf0 == 0x50 && bytes.Equal(b[1:4], []byte("\x2a\x4d\x18")): // a skippable frame
		return Zstd
	case bytes.HasPrefix(b, []byte("\xfd7zXZ\x00")):
		return XZ
	// The level, and the mark of a first block: pi in decimal digits.
	case len(b) >= 10 && string(b[:3]) == "BZh" && b[3] >= '1' && b[3] <= '9' && string(b[4:10]) == "1AY&SY":
		return Bzip2
	}
	return ""
}

// holdsTar unpacks the start of a compressed input as far as it takes to see
// whether it is a tar stream. cut tells that the input goes on behind.
func holdsTar(c Compression, start []byte, cut bool) (bool, error) {
	u := &unpacker{c: c, in: &counting{r: bytes.NewReader(start)}}
	var err error
	if u.r, err = open(c, u.in, true); err != nil {
		err = u.explain(err)
	} else {
		defer u.Close()
		var b []byte
		if b, err = io.ReadAll(io.LimitReader(u, 2*blockSize)); looksLikeTar(b) {
			return true, nil
		}
	}
	switch {
	case errors.Is(err, ErrUnfinished) && cut, // by us
		errors.Is(err, zstd.ErrUnknownDictionary): // sound, and nobody's tar stream
		return false, nil
	}
	return false, err
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
	case Bzip2:
		return io.NopCloser(bzip2.NewReader(r)), nil
	default:
		x, err := xz.NewReader(newXZGuard(r))
		if err != nil {
			return nil, err
		}
		return io.NopCloser(x), nil
	}
}

// unpacker counts what is unpacked and says what goes wrong.
type unpacker struct {
	c      Compression
	r      io.ReadCloser
	in     *counting
	offset int64
	err    error
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

// Close: what went wrong, Read has said.
func (u *unpacker) Close() error {
	u.r.Close()
	return nil
}

// explain translates what the libraries say.
func (u *unpacker) explain(err error) error {
	switch failed := u.in.failure(); {
	case err == io.EOF:
		return io.EOF
	case failed != nil:
		return failed
	case errors.Is(err, zstd.ErrWindowSizeExceeded), errors.Is(err, zstd.ErrDecoderSizeExceeded), errors.Is(err, ErrWindow):
		return fmt.Errorf("%s stream needs more than %d MiB of memory: unpack it first: %w", u.c, MaxWindow>>20, ErrWindow)
	case errors.Is(err, io.ErrUnexpectedEOF):
		return &UnfinishedError{Offset: u.offset, Compressed: u.in.count(), Where: "inside its " + string(u.c) + " compression"}
	}
	return &CorruptError{Compression: u.c, Offset: u.offset, Compressed: u.in.count(), Err: err}
}
