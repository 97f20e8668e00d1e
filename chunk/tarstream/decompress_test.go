package tarstream

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
	"github.com/ulikunitz/xz"
)

// compress is by the libraries; TestDecompressTools has the tools.
func compress(t testing.TB, c Compression, data []byte) []byte {
	t.Helper()
	var b bytes.Buffer
	var w io.WriteCloser
	var err error
	switch c {
	case Gzip:
		w = gzip.NewWriter(&b)
	case Zstd:
		w, err = zstd.NewWriter(&b)
	case XZ:
		w, err = xz.NewWriter(&b)
	}
	must(t, err)
	_, err = w.Write(data)
	must(t, err)
	must(t, w.Close())
	return b.Bytes()
}

// unpack reads all of Decompress.
func unpack(input io.Reader) ([]byte, Compression, error) {
	r, c, err := Decompress(input)
	if err != nil {
		return nil, c, err
	}
	defer r.Close()
	out, err := io.ReadAll(r)
	return out, c, err
}

var formats = []Compression{Gzip, Zstd, XZ}

func someTar(t testing.TB) []byte {
	return write(t, named("a", "abc"), named("random", string(noise(20_000))), named("b", strings.Repeat("def", 1000)))
}

// noise does not compress.
func noise(n int) []byte {
	b := make([]byte, n)
	x := uint32(1)
	for i := range b {
		x = x*1664525 + 1013904223 // Numerical Recipes, from memory
		b[i] = byte(x >> 24)
	}
	return b
}

func TestDecompress(t *testing.T) {
	stream := someTar(t)
	for _, c := range formats {
		packed := compress(t, c, stream)
		for name, r := range map[string]io.Reader{
			"whole": bytes.NewReader(packed), "bytes": iotest.OneByteReader(bytes.NewReader(packed)),
		} {
			if out, got, err := unpack(r); err != nil || got != c || !bytes.Equal(out, stream) {
				t.Errorf("%s, %s: %q, %v", c, name, got, err)
			}
		}
		// Streams put together are one stream, as for the tools.
		half := len(stream) / 2
		joined := append(compress(t, c, stream[:half]), compress(t, c, stream[half:])...)
		if out, got, err := unpack(bytes.NewReader(joined)); err != nil || got != c || !bytes.Equal(out, stream) {
			t.Errorf("%s, two: %q, %v", c, got, err)
		}
	}
}

func TestNotATarStreamPasses(t *testing.T) {
	inputs := map[string][]byte{"nothing": nil, "a byte": {0x1f}, "tar": someTar(t), "text": []byte("text"), "long": noise(1 << 20)}
	for _, c := range formats {
		for name, content := range map[string][]byte{"nothing": {}, "text": []byte(strings.Repeat("text", 1000)), "noise": noise(1 << 20)} {
			inputs[string(c)+" of "+name] = compress(t, c, content)
		}
		inputs[string(c)+", half its magic"] = compress(t, c, nil)[:2]
		inputs[string(c)+" twice"] = compress(t, c, compress(t, c, someTar(t)))
	}
	for name, input := range inputs {
		if out, c, err := unpack(bytes.NewReader(input)); err != nil || c != "" || !bytes.Equal(out, input) {
			t.Errorf("%s: %q, %v", name, c, err)
		}
	}
}

// Every cut behind the magic number shows, also where too little is there to
// see what is inside.
func TestDecompressCut(t *testing.T) {
	stream := write(t, named("a", "abc"), named("random", string(noise(1000))))
	for _, c := range formats {
		packed := compress(t, c, stream)
		step := 1
		if c == XZ { // 8 MiB of dictionary each time
			step = 13
		}
		for n := magicSize; n < len(packed); n += step {
			_, _, err := unpack(bytes.NewReader(packed[:n]))
			if !errors.Is(err, ErrUnfinished) {
				t.Fatalf("%s cut at %d: %v", c, n, err)
			}
		}
	}
}

// What was unpacked before the cut is counted and can be carried.
func TestDecompressCutLate(t *testing.T) {
	stream := write(t, named("a", string(noise(1<<20))))
	for _, c := range formats {
		packed := compress(t, c, stream)
		for _, n := range []int{400_001, len(packed) - 5, len(packed) - 1} {
			out, _, err := unpack(bytes.NewReader(packed[:n]))
			var cut *UnfinishedError
			if !errors.As(err, &cut) || cut.Offset != int64(len(out)) || cut.Compressed != int64(n) || !bytes.HasPrefix(stream, out) {
				t.Fatalf("%s cut at %d: %v after %d bytes", c, n, err, len(out))
			}
			if len(out) < n/2 {
				t.Errorf("%s cut at %d: only %d bytes unpacked", c, n, len(out))
			}
			r, _, err := Decompress(bytes.NewReader(packed[:n]))
			must(t, err)
			tr := NewReader(r, Options{AcceptUnfinished: true})
			if _, joined, err := split(t, tr); err != nil || !bytes.Equal(joined, out) || !errors.Is(tr.Unfinished(), ErrUnfinished) {
				t.Fatalf("%s cut at %d, accepted: %v", c, n, err)
			}
			must(t, r.Close())
		}
	}
}

func TestDecompressDamage(t *testing.T) {
	stream := write(t, named("a", string(noise(400_000))))
	for _, c := range formats {
		packed := compress(t, c, stream)
		found := 0
		for at := 3000; at < len(packed); at += len(packed) / 20 {
			damaged := bytes.Clone(packed)
			damaged[at] ^= 0x10
			out, _, err := unpack(bytes.NewReader(damaged))
			var corrupt *CorruptError
			switch {
			case errors.As(err, &corrupt):
				found++
				if corrupt.Compression != c || corrupt.Offset != int64(len(out)) || !errors.Is(err, ErrCorrupt) {
					t.Errorf("%s: %+v", c, corrupt)
				}
			case !errors.Is(err, ErrUnfinished): // a length may be hit
				t.Errorf("%s, bit flipped in byte %d: %v", c, at, err)
			}
		}
		if found < 10 {
			t.Errorf("%s: %d of 20 damages were found", c, found)
		}
		garbage := append(bytes.Clone(packed), "garbage"...)
		if _, _, err := unpack(bytes.NewReader(garbage)); !errors.Is(err, ErrCorrupt) && !errors.Is(err, ErrUnfinished) {
			t.Errorf("%s with garbage behind it: %v", c, err)
		}
		start := append(bytes.Clone(packed[:10]), noise(1000)...)
		if _, _, err := unpack(bytes.NewReader(start)); !errors.Is(err, ErrCorrupt) && !errors.Is(err, ErrUnfinished) {
			t.Errorf("%s, garbage behind its magic number: %v", c, err)
		}
	}
}

func TestDecompressReadErrors(t *testing.T) {
	broken := errors.New("broken")
	stream := write(t, named("a", string(noise(1<<20))))
	for _, c := range formats {
		packed := compress(t, c, stream)
		for _, n := range []int{0, 3, 1000, 200_000, 400_000, len(packed) - 1} {
			_, _, err := unpack(io.MultiReader(bytes.NewReader(packed[:n]), iotest.ErrReader(broken)))
			if err != broken {
				t.Errorf("%s, after %d bytes: %v", c, n, err)
			}
		}
	}
}

// A window above the limit, in headers alone: nothing is allocated for it.
func TestWindows(t *testing.T) {
	// RFC 8878, 3.1.1.1.2: exponent 17 is 128 MiB, the next 144 MiB.
	frame := func(descriptor byte) []byte {
		raw := someTar(t)[:1024]
		n := uint32(len(raw))<<3 | 1 // one raw block, the last
		return append([]byte{0x28, 0xb5, 0x2f, 0xfd, 0, descriptor, byte(n), byte(n >> 8), byte(n >> 16)}, raw...)
	}
	if out, c, err := unpack(bytes.NewReader(frame(17 << 3))); err != nil || c != Zstd || len(out) != 1024 {
		t.Errorf("zstd, 128 MiB: %q, %v", c, err)
	}
	for _, descriptor := range []byte{17<<3 | 1, 20 << 3, 31<<3 | 7} {
		if _, _, err := unpack(bytes.NewReader(frame(descriptor))); !errors.Is(err, ErrWindow) {
			t.Errorf("zstd, descriptor %#x: %v", descriptor, err)
		}
		// In a later frame.
		if _, c, err := unpack(bytes.NewReader(append(frame(17<<3), frame(descriptor)...))); !errors.Is(err, ErrWindow) || c != Zstd {
			t.Errorf("zstd, descriptor %#x, second frame: %v", descriptor, err)
		}
	}
	// The size of the dictionary in the header of the first block of an xz
	// stream, behind 12 bytes of stream header.
	resize := func(packed []byte, dictionary byte) []byte {
		packed = bytes.Clone(packed)
		b := packed[12:]
		n := (int(b[0]) + 1) * 4
		at := bytes.Index(b[:n], []byte{0x21, 1})
		b[at+2] = dictionary
		check := crc32.ChecksumIEEE(b[:n-4])
		for i := range 4 {
			b[n-4+i] = byte(check >> (8 * i))
		}
		return packed
	}
	stream := someTar(t)
	packed := compress(t, XZ, stream)
	const mib128 = 30 // 2 << (30/2 + 11)
	if out, _, err := unpack(bytes.NewReader(resize(packed, mib128))); err != nil || !bytes.Equal(out, stream) {
		t.Errorf("xz, 128 MiB: %v", err)
	}
	for _, dictionary := range []byte{mib128 + 1, 39, 40} {
		large := resize(packed, dictionary)
		if _, _, err := unpack(bytes.NewReader(large)); !errors.Is(err, ErrWindow) {
			t.Errorf("xz, dictionary %d: %v", dictionary, err)
		}
		for _, between := range []string{"", "\x00\x00\x00\x00", "\x00\x00\x00\x00\x00\x00\x00\x00"} {
			second := append(append(bytes.Clone(packed), between...), large...)
			if _, c, err := unpack(bytes.NewReader(second)); !errors.Is(err, ErrWindow) || c != XZ {
				t.Errorf("xz, dictionary %d, second stream: %v", dictionary, err)
			}
		}
	}
}

func TestErrorsSayWhereAndWhat(t *testing.T) {
	packed := compress(t, Gzip, someTar(t))
	_, _, err := unpack(bytes.NewReader(packed[:1_500]))
	for _, part := range []string{"byte 1500 of the compressed stream", "gzip", "again"} {
		if !strings.Contains(fmt.Sprint(err), part) {
			t.Errorf("no %q in %q", part, err)
		}
	}
}

func TestCloseReleasesGoroutines(t *testing.T) {
	before := runtime.NumGoroutine()
	packed := compress(t, Zstd, write(t, named("a", string(noise(1<<20)))))
	for range 10 {
		r, _, err := Decompress(bytes.NewReader(packed))
		must(t, err)
		r.Read(make([]byte, 100))
		must(t, r.Close())
	}
	// The last goroutine of a decoder may be on its way out when Close returns.
	for give := time.Now().Add(10 * time.Second); runtime.NumGoroutine() > before; runtime.Gosched() {
		if time.Now().After(give) {
			t.Fatalf("%d goroutines, %d before", runtime.NumGoroutine(), before)
		}
	}
}

func FuzzDecompress(f *testing.F) {
	for _, c := range formats {
		packed := compress(f, c, write(f, named("a", "abc")))
		f.Add(packed)
		f.Add(packed[:len(packed)-1])
		f.Add(append(bytes.Clone(packed), packed...))
		f.Add(compress(f, c, []byte("text")))
	}
	f.Add([]byte("plain"))
	f.Fuzz(func(t *testing.T, input []byte) {
		r, c, err := Decompress(bytes.NewReader(input))
		if err != nil {
			typed(t, err)
			return
		}
		defer r.Close()
		out, err := io.ReadAll(io.LimitReader(r, 16<<20))
		if c == "" && (err != nil || !bytes.Equal(out, input)) {
			t.Fatalf("not passed on: %v", err)
		}
		typed(t, err)
	})
}

func typed(t *testing.T, err error) {
	if err != nil && !errors.Is(err, ErrUnfinished) && !errors.Is(err, ErrCorrupt) && !errors.Is(err, ErrWindow) {
		t.Fatalf("no typed error: %v", err)
	}
}
