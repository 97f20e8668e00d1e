package intake

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"testing"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// benchText is what a compressor shortens to about a third.
func benchText(n int) []byte {
	var b bytes.Buffer
	for i, salt := 0, noise(3, 1, n/4)[0]; b.Len() < n; i++ {
		fmt.Fprintf(&b, "lot %08d shelf %03d %x\n", i, i%300, salt[i*8%(len(salt)-8):][:8])
	}
	return b.Bytes()[:n]
}

// The stages alone, each on as many bytes as a frame or an average chunk has:
// what a whole capture takes is to be seen against them.
func BenchmarkStages(b *testing.B) {
	const average = testMaxChunk / 4
	text := benchText(format.FrameTarget)
	bench := func(name string, n int, f func()) {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(n))
			b.ReportAllocs()
			for b.Loop() {
				f()
			}
		})
	}
	keys := newRepo(b).keys
	h := keys.NewHasher()
	bench("identity", average, func() { h.Sum(text[:average]) })
	sum := sha256.New()
	bench("SHA-256", len(text), func() { sum.Write(text) })
	copied := make([]byte, len(text))
	bench("copy", len(text), func() { copy(copied, text) })
	hard := noise(4, 1, len(text))[0]
	for _, one := range []struct {
		name string
		raw  []byte
	}{{"text", text}, {"noise", hard}} {
		for _, level := range []zstd.EncoderLevel{zstd.SpeedFastest, zstd.SpeedDefault, zstd.SpeedBetterCompression} {
			c, err := newCompressor(level, testMaxChunk)
			if err != nil {
				b.Fatal(err)
			}
			f := &frame{raw: one.raw, lengths: make([]uint32, 50)}
			bench(fmt.Sprintf("compress %s, %v", one.name, level), len(f.raw), func() {
				f.packed = c.encoder(f).EncodeAll(f.raw, f.packed[:0])
			})
		}
	}
	sealer, _, _, err := keys.NewSealer(crypt.ObjectName{Kind: format.Slab.String(), Name: "bench"})
	if err != nil {
		b.Fatal(err)
	}
	sealed := make([]byte, 0, len(text)+crypt.Overhead)
	bench("seal", len(text), func() { sealer.Seal(sealed, text, crypt.Piece{Kind: crypt.PieceFrame}) })
}
