package tarstream_test

import (
	"archive/tar"
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/chunk/tarstream"
)

// entryHeaders gives the headers of the members of a stream.
func entryHeaders(t testing.TB, stream []byte) (headers [][]byte) {
	t.Helper()
	for r := tarstream.NewReader(bytes.NewReader(stream), tarstream.Options{}); ; {
		p, err := r.Next()
		if err == io.EOF {
			return headers
		}
		if err != nil {
			t.Fatal(err)
		}
		if p.Kind == tarstream.Entry {
			headers = append(headers, bytes.Clone(p.Header))
		}
		if _, err := io.Copy(io.Discard, r); err != nil {
			t.Fatal(err)
		}
	}
}

func stampedTar(t testing.TB, format tar.Format, at func(i int) time.Time) []byte {
	t.Helper()
	var out bytes.Buffer
	w := tar.NewWriter(&out)
	for i, name := range []string{"a", "lots/b", strings.Repeat("long/", 50) + "c"} {
		h := &tar.Header{Name: name, Mode: 0o644, Size: int64(i * 100), ModTime: at(i), Format: format, Uname: "hazel"}
		if err := w.WriteHeader(h); err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(make([]byte, i*100)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// TestTouchedHeaders splits headers that differ in times alone: what is left of
// them must be the same.
func TestTouchedHeaders(t *testing.T) {
	for _, format := range []tar.Format{tar.FormatPAX, tar.FormatGNU} {
		var rests [2]string
		for round := range rests {
			stream := stampedTar(t, format, func(i int) time.Time {
				at := time.Unix(int64(1700000000+i+round*86400), 0)
				if format == tar.FormatPAX {
					at = at.Add(time.Duration(123456789 + 1000*round*i))
				}
				return at
			})
			for _, h := range entryHeaders(t, stream) {
				rest, stamps, cuts := tarstream.SplitStamps(h)
				rests[round] += string(rest) + fmt.Sprint(cuts)
				joined, err := tarstream.JoinStamps(rest, stamps, cuts)
				if err != nil || !bytes.Equal(joined, h) {
					t.Fatalf("%v: %v", format, err)
				}
				if len(stamps) == 0 || len(rest)+len(stamps) != len(h) {
					t.Errorf("%v: %d bytes of stamps", format, len(stamps))
				}
			}
		}
		if rests[0] != rests[1] {
			t.Errorf("%v: what is left of touched headers differs", format)
		}
	}
}

func TestJoinRefusals(t *testing.T) {
	block := make([]byte, 512)
	for name, c := range map[string]struct {
		rest, stamps []byte
		cuts         []tarstream.Cut
	}{
		"stamps left over":      {block, []byte("x"), nil},
		"too few stamps":        {block, []byte("x"), []tarstream.Cut{{Offset: 0, Length: 2}}},
		"behind the end":        {block, []byte("x"), []tarstream.Cut{{Offset: 513, Length: 1}}},
		"backwards":             {block, []byte("xy"), []tarstream.Cut{{Offset: 5, Length: 1}, {Offset: 5, Length: 1}}},
		"of no length":          {block, nil, []tarstream.Cut{{Offset: 5}}},
		"negative":              {block, nil, []tarstream.Cut{{Offset: 5, Length: -1}}},
		"a sum without a block": {block[:492], make([]byte, 20), []tarstream.Cut{{Offset: 492, Length: 20, Sum: true}}},
		"only stamps":           {nil, []byte("x"), []tarstream.Cut{{Offset: 0, Length: 1}}},
	} {
		if _, err := tarstream.JoinStamps(c.rest, c.stamps, c.cuts); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// manyExtended gives a header with n extended headers in front of it.
func manyExtended(t testing.TB, n int) []byte {
	t.Helper()
	h := entryHeaders(t, stampedTar(t, tar.FormatPAX, func(int) time.Time { return time.Unix(1700000000, 5) }))[0]
	return append(bytes.Repeat(h[:1024], n), h[1024:]...)
}

func TestManyCuts(t *testing.T) {
	for _, n := range []int{1, 20, 21, 22, 31, 200, 1000} {
		h := manyExtended(t, n)
		rest, stamps, cuts := tarstream.SplitStamps(h)
		joined, err := tarstream.JoinStamps(rest, stamps, cuts)
		if err != nil || !bytes.Equal(joined, h) || len(cuts) > tarstream.MaxCuts {
			t.Errorf("%d extended headers: %d cuts, %v", n, len(cuts), err)
		}
	}
}

// FuzzStamps splits any bytes and joins them again.
func FuzzStamps(f *testing.F) {
	for _, format := range []tar.Format{tar.FormatPAX, tar.FormatGNU, tar.FormatUSTAR} {
		stream := stampedTar(f, format, func(int) time.Time { return time.Unix(1700000000, 0) })
		if format == tar.FormatPAX {
			stream = bytes.ReplaceAll(stream, []byte("PaxHeaders.0"), []byte("PaxHeaders.7"))
		}
		for _, h := range entryHeaders(f, stream) {
			f.Add(h)
		}
	}
	f.Add([]byte{})
	f.Add(make([]byte, 1500))
	f.Add(manyExtended(f, 200))
	f.Fuzz(func(t *testing.T, header []byte) {
		rest, stamps, cuts := tarstream.SplitStamps(header)
		joined, err := tarstream.JoinStamps(rest, stamps, cuts)
		if err != nil || !bytes.Equal(joined, header) {
			t.Fatalf("%d bytes in, %d out: %v", len(header), len(joined), err)
		}
		if len(cuts) > tarstream.MaxCuts {
			t.Fatalf("%d cuts", len(cuts))
		}
		if len(rest)+len(stamps) != len(header) {
			t.Fatalf("%d and %d bytes of %d", len(rest), len(stamps), len(header))
		}
	})
}

func BenchmarkSplitStamps(b *testing.B) {
	headers := entryHeaders(b, stampedTar(b, tar.FormatPAX, func(int) time.Time { return time.Unix(1700000000, 5) }))
	b.SetBytes(int64(len(headers[0])))
	b.ReportAllocs()
	for b.Loop() {
		tarstream.SplitStamps(headers[0])
	}
}
