package demo

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/store/volume"
)

// state is what a folder was at some time.
type state struct {
	digest     string // SHA-256 of its tar stream, in hexadecimal
	length     int64  // of that
	compressed int64  // the same by zstd level 3
}

// counter counts what is written to it.
type counter int64

func (c *counter) Write(p []byte) (int, error) {
	*c += counter(len(p))
	return len(p), nil
}

// state reads the folder of a service.
func (s *service) state(ctx context.Context) (state, error) {
	sum := sha256.New()
	var length, compressed counter
	z, err := zstd.NewWriter(&compressed, zstd.WithEncoderLevel(zstd.SpeedDefault))
	if err != nil {
		return state{}, err
	}
	_, err = volume.WriteTar(ctx, io.MultiWriter(sum, &length, z), s.dir, volume.ReadOptions{})
	if err := errors.Join(err, z.Close()); err != nil {
		return state{}, err
	}
	return state{fmt.Sprintf("%x", sum.Sum(nil)), int64(length), int64(compressed)}, nil
}
