package drawer

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"

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
