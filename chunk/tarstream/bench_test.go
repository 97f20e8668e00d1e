package tarstream

import (
	"bytes"
	"fmt"
	"io"
	"testing"
)

func benchmarkReader(b *testing.B, stream []byte) {
	b.SetBytes(int64(len(stream)))
	b.ReportAllocs()
	buf := make([]byte, 32<<10)
	for b.Loop() {
		r := NewReader(bytes.NewReader(stream), Options{})
		for {
			if _, err := r.Next(); err == io.EOF {
				break
			} else if err != nil {
				b.Fatal(err)
			}
			for {
				if _, err := r.Read(buf); err != nil {
					break
				}
			}
		}
	}
}

func BenchmarkReader(b *testing.B) {
	var files []file
	for i := range 1000 {
		files = append(files, named(fmt.Sprintf("folder/file-%d", i), "a small content"))
	}
	small := write(b, files...)
	b.Run("small files", func(b *testing.B) { benchmarkReader(b, small) })
	large := write(b, named("large", string(noise(64<<20))))
	b.Run("one large file", func(b *testing.B) { benchmarkReader(b, large) })
}

func BenchmarkMember(b *testing.B) {
	for name, h := range map[string][]byte{
		"ustar": header('0', "folder/file", 10),
		"pax":   []byte(paxHeader("mtime=1770000000.123456789", "SCHILY.xattr.user.a=b") + string(header('0', "folder/file", 10))),
	} {
		b.Run(name, func(b *testing.B) {
			var d Decoder
			b.ReportAllocs()
			for b.Loop() {
				if _, err := d.Member(h, 10); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkDecompress(b *testing.B) {
	stream := write(b, named("large", string(bytes.Repeat(noise(1000), 16<<10))))
	for _, c := range formats {
		packed := compress(b, c, stream)
		b.Run(string(c), func(b *testing.B) {
			b.SetBytes(int64(len(stream)))
			for b.Loop() {
				r, _, err := Decompress(bytes.NewReader(packed))
				if err != nil {
					b.Fatal(err)
				}
				if _, err := io.Copy(io.Discard, r); err != nil {
					b.Fatal(err)
				}
				r.Close()
			}
		})
	}
}
