package stock

import (
	"context"
	"errors"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
)

// TestFitsZeros: a chunk that comes again millions of times is asked for once, and whoever does not wait any longer ends it.
func TestFitsZeros(t *testing.T) {
	const times, length = 1_000_000, 1 << 16
	var id, other crypt.Identity
	id[0], other[0] = 3, 14
	h := crypt.NewDigestHasher()
	h.Add(other, 1)
	for range times {
		h.Add(id, length)
	}
	recipe := &format.Recipe{Digest: h.Sum(), Bytes: times*length + 1, Chunks: times + 1}
	runs := fetch.Inline([]format.Run{{Count: 1, Times: 1}, {First: 1, Count: 1, Times: times}})
	asked := 0
	of := func(_ format.SlabID, n uint32) (crypt.Identity, uint32, bool) {
		if asked++; n == 0 {
			return other, 1, true
		}
		return id, length, true
	}
	var s *Stock
	if ok, err := s.Fits(t.Context(), recipe, runs, of); !ok || err != nil || asked != 2 {
		t.Errorf("%t, %v, asked %d times", ok, err, asked)
	}
	ctx, leave := context.WithCancel(t.Context())
	leave()
	if ok, err := s.Fits(ctx, recipe, runs, of); ok || !errors.Is(err, context.Canceled) {
		t.Errorf("%t, %v", ok, err)
	}
}
