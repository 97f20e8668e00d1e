package drawer

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"strconv"
	"strings"

	"github.com/kistarchive/kist/chunk/tarstream"
)

// Sum gives the SHA-256, in hexadecimal, of the stream that a capture of r would have: unpacked,
// if it is a compressed tar stream. seen, if set, is told how many bytes of r were read. Where
// unfinished is set, a compressed stream that is cut short has the sum of what there is.
func Sum(ctx context.Context, r io.Reader, unfinished bool, seen func(int64)) (string, error) {
	stream, _, err := tarstream.Decompress(&heeded{ctx: ctx, r: r, seen: seen})
	if err != nil {
		return "", err
	}
	defer stream.Close()
	h := sha256.New()
	if _, err = io.Copy(h, stream); err != nil && !(unfinished && errors.Is(err, tarstream.ErrUnfinished)) {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// heeded ends with a context, and counts.
type heeded struct {
	ctx  context.Context
	r    io.Reader
	n    int64
	seen func(int64)
}

func (h *heeded) Read(p []byte) (int, error) {
	if h.ctx.Err() != nil {
		return 0, context.Cause(h.ctx)
	}
	n, err := h.r.Read(p)
	h.n += int64(n)
	if h.seen != nil {
		h.seen(h.n)
	}
	return n, err
}

// IsTar tells whether a file is a tar stream, compressed or not, by the checksum of its first header (POSIX.1-2017, pax,
// "ustar Interchange Format": the sum of the header's bytes, with spaces in the place of the sum) or by its zero block.
// One that can't be unpacked so far counts as a tar stream: whoever reads it says what is wrong.
func IsTar(r io.Reader) bool {
	stream, _, err := tarstream.Decompress(r)
	if err != nil {
		return true
	}
	defer stream.Close()
	var header [512]byte
	if _, err := io.ReadFull(stream, header[:]); err != nil {
		return !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF)
	}
	if header == [512]byte{} {
		return true
	}
	told, err := strconv.ParseInt(strings.Trim(string(header[148:156]), " \x00"), 8, 64)
	if err != nil {
		return false
	}
	copy(header[148:156], "        ")
	var unsigned, signed int64 // old ones took bytes as signed
	for _, b := range header {
		unsigned += int64(b)
		signed += int64(int8(b))
	}
	return told == unsigned || told == signed
}
