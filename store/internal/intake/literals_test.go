package intake

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"

	"github.com/klauspost/compress/zstd"
)

// literals are contents in which nothing repeats, or what does is too short, but whose
// bytes are not all as frequent. What they come to follows from their entropy: 4 and 6
// bits of 8, 20 of 32, the digits' log2(10) and an end of line (RFC 4648 for base64,
// IEEE 754 for the numbers; the last two bounds were measured).
var literals = []struct {
	name        string
	make        func(n int) []byte
	least, most float64
}{
	{"hexadecimal", func(n int) []byte { return []byte(hex.EncodeToString(noise(7, 1, n)[0]))[:n] }, 0.49, 0.52},
	{"base64", func(n int) []byte { return []byte(base64.StdEncoding.EncodeToString(noise(7, 1, n)[0]))[:n] }, 0.74, 0.77},
	{"numbers of 20 bits in 32", func(n int) []byte {
		b := noise(7, 1, n)[0]
		for i := 0; i+4 <= n; i += 4 {
			binary.LittleEndian.PutUint32(b[i:], binary.LittleEndian.Uint32(b[i:])>>12)
		}
		return b
	}, 0.62, 0.82},
	{"measurements", func(n int) []byte {
		r := rand.New(rand.NewPCG(7, 7))
		b := make([]byte, 0, n)
		for len(b) < n {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(20+5*r.NormFloat64()))
		}
		return b[:n]
	}, 0.85, 0.95},
	{"a sequence of numbers", func(n int) []byte {
		var b []byte
		for i := 10000; len(b) < n; i++ {
			b = fmt.Appendln(b, i%90000+10000)
		}
		return b[:n]
	}, 0, 0.5},
}

// Where bytes are not all as frequent, frames get shorter, though
// nothing repeats; and the program of zstd reads them (RFC 8878).
func TestLiteralsGetShorter(t *testing.T) {
	decode := zstdProgram(t)
	for _, kind := range literals {
		raw := kind.make(256 << 10)
		for _, level := range []zstd.EncoderLevel{0, zstd.SpeedFastest, zstd.SpeedDefault} {
			c, err := newCompressor(level, testMaxChunk)
			if err != nil {
				t.Fatal(err)
			}
			f := &frame{lane: Contents, raw: raw, lengths: make([]uint32, 50)}
			packed := c.encoder(f).EncodeAll(raw, nil)
			if got := float64(len(packed)) / float64(len(raw)); got < kind.least || got > kind.most {
				t.Errorf("%s at level %d: %.3f of the length", kind.name, level, got)
			}
			if !bytes.Equal(decode(packed), raw) {
				t.Errorf("%s at level %d: the program gives something else", kind.name, level)
			}
		}
	}
}

// What is all as frequent is not coded in vain: its blocks are stored as they are.
func TestNoiseStaysPlain(t *testing.T) {
	c, err := newCompressor(0, testMaxChunk)
	if err != nil {
		t.Fatal(err)
	}
	decode := zstdProgram(t)
	raw := noise(8, 1, 1<<20)[0]
	f := &frame{lane: Contents, raw: raw, lengths: make([]uint32, 50)}
	e := c.encoder(f)
	if e != c.plain {
		t.Error("noise is coded")
	}
	packed := e.EncodeAll(raw, nil)
	if more := len(packed) - len(raw); more > 64 {
		t.Errorf("noise gets %d bytes longer", more)
	}
	if !bytes.Equal(decode(packed), raw) {
		t.Error("the program gives something else")
	}
}

// zstdProgram decodes with the reference implementation of RFC 8878, or, where there
// is none, with the package.
func zstdProgram(t *testing.T) func(packed []byte) []byte {
	path, err := exec.LookPath("zstd")
	if err != nil && os.Getenv("KIST_TEST_REQUIRE") == "all" {
		t.Fatal(err)
	}
	d, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(d.Close)
	return func(packed []byte) []byte {
		if path == "" {
			raw, err := d.DecodeAll(packed, nil)
			if err != nil {
				t.Error(err)
			}
			return raw
		}
		c := exec.CommandContext(t.Context(), path, "--decompress", "--stdout", "--quiet", "--memory=8MB")
		c.Stdin = bytes.NewReader(packed)
		raw, err := c.Output()
		if err != nil {
			t.Error(err)
		}
		return raw
	}
}
