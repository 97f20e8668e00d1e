package fetch

import (
	"bytes"
	"io"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// BenchmarkReadDeltas reads frames that differ from their bases, two each, by a byte in 500, as a restore does.
func BenchmarkReadDeltas(b *testing.B) {
	const frames, half = 64, format.DeltaTarget / 2
	d := newDeltas(b)
	base, id, above := make([][]byte, 2*frames), format.NewSlabID(), format.NewSlabID()
	random := rand.NewChaCha8([32]byte{13})
	var low, high []func() (format.Frame, []byte)
	for i := range base {
		base[i] = make([]byte, half)
		random.Read(base[i])
		low = append(low, give(d.plain(base[i])))
	}
	for i := 0; i < len(base); i += 2 {
		both := slices.Concat(base[i], base[i+1])
		changed := bytes.Clone(both)
		for at := 0; at < len(changed); at += 500 {
			changed[at] ^= 1
		}
		bases := []format.Base{{Slab: id, First: uint32(i), Count: 1}, {Slab: id, First: uint32(i + 1), Count: 1}}
		high = append(high, give(d.delta(1, both, bases, changed)))
	}
	d.put(id, low...)
	d.put(above, high...)
	b.SetBytes(frames * format.DeltaTarget)
	for b.Loop() {
		s, err := New(d.storage, d.id, d.keys)
		if err != nil {
			b.Fatal(err)
		}
		r := s.ReadWith(b.Context(), Inline([]format.Run{{Slab: above, Count: frames, Times: 1}}), ReadOptions{NoIdentities: true, Lend: true})
		for {
			if _, err := r.Next(); err == io.EOF {
				break
			} else if err != nil {
				b.Fatal(err)
			}
		}
		r.Close()
		s.Close()
	}
}
