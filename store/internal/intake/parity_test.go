package intake

import (
	"bytes"
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/parity"
)

// TestParity: slabs with parity have PADMÉ lengths, none is longer than SlabTarget, and each is healed by
// its own parity to the byte, its trailer and its table included.
func TestParity(t *testing.T) {
	for _, percent := range []int{1, 3, 20} {
		for _, chunks := range [][][]byte{noise(1, 1, 1), noise(1, 3, 4000), noise(1, 700, 30), noise(1, 600, testMaxChunk)} {
			if len(chunks) == 600 && percent != 3 {
				continue
			}
			r := newRepo(t)
			r.parity = percent
			in := r.start(t, t.Context(), r.known(t))
			mustPut(t, in, in.Stream(Contents), chunks...)
			written := mustClose(t, in)
			r.wantWhole(t)
			var total int64
			for _, name := range slices.Concat(r.listed(t, names.Slabs), r.listed(t, names.Tables)) {
				total += int64(len(r.bytes(t, name)))
			}
			if total != written.Bytes {
				t.Errorf("%d bytes were written and %d are told", total, written.Bytes)
			}
			for _, name := range r.listed(t, names.Slabs) {
				slab := r.bytes(t, name)
				if !isPadded(len(slab)) || len(slab) > format.SlabTarget {
					t.Errorf("%d chunks at %d %%: a slab of %d bytes", len(chunks), percent, len(slab))
				}
				run := parity.Run(len(slab), percent)
				for _, at := range []int{0, len(slab) / 2, len(slab) - run} {
					harmed := bytes.Clone(slab)
					clear(harmed[at : at+run])
					if n, err := parity.Heal(harmed); n == 0 || err != nil || !bytes.Equal(harmed, slab) {
						t.Errorf("%d bytes at %d %%, harmed at %d: %d, %v", len(slab), percent, at, n, err)
					}
				}
			}
		}
	}
}
