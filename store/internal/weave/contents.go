package weave

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
)

// Contents reads all contents. One hash of them will do: the SHA-256 of the
// stream, where it is known, or else the digest of the identities.
func (r *Reader) Contents(ctx context.Context, v *format.Volume) *fetch.Stream {
	return r.slabs.StreamWith(ctx, OrEmpty(v.Contents), fetch.ReadOptions{NoIdentities: len(v.SHA256) > 0, Lend: true})
}

// OrDamage gives err, or damage with the given text where a stream just ended or
// went on.
func OrDamage(err error, text string) error {
	if err == nil || errors.Is(err, io.EOF) {
		return fmt.Errorf("%w: %s", format.ErrDamaged, text)
	}
	return err
}
