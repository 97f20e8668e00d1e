package main

import (
	"archive/tar"
	"fmt"
	"io"
	"math/rand/v2"
	"strconv"
	"time"
)

// kindOfFile is one kind of the files that a service keeps.
type kindOfFile struct {
	folder   string
	share    int64 // of all bytes, in percent
	min, max int64 // bytes of one
	content  func(r *rand.Rand, b []byte) []byte
}

// kindsOfFile make up the volume of a service: a database's tables of records,
// its logs, pictures that are compressed already, and many small files.
var kindsOfFile = [...]kindOfFile{
	{"tables", 50, 8 << 20, 96 << 20, appendRecord},
	{"logs", 20, 256 << 10, 16 << 20, appendLogLine},
	{"pictures", 25, 16 << 10, 4 << 20, appendRandom},
	{"settings", 5, 200, 16 << 10, appendSettingLine},
}

// writeVolume writes a tar stream of about size bytes, the volume of a service
// that stores seeds: always the same for the same size.
func writeVolume(w io.Writer, size int64) error {
	out := tar.NewWriter(w)
	r := newRand("volume")
	for _, k := range kindsOfFile {
		if err := out.WriteHeader(volumeHeader(r, k.folder+"/", tar.TypeDir, 0)); err != nil {
			return err
		}
		for i, left := 0, size*k.share/100; left > 0; i++ {
			n := min(left, k.min+r.Int64N(k.max-k.min))
			if err := writeVolumeFile(out, r, k, i, n); err != nil {
				return err
			}
			left -= n + 3*512 // with its headers
		}
	}
	return out.Close()
}

func volumeHeader(r *rand.Rand, name string, kind byte, n int64) *tar.Header {
	return &tar.Header{
		Typeflag: kind, Name: "./" + name, Mode: 0o750, Uid: 1000, Gid: 1000, Size: n,
		ModTime: touchDate().Add(-time.Duration(r.Int64N(int64(1000 * time.Hour)))), Format: tar.FormatPAX,
	}
}

// writeStep is how many bytes are made at a time.
const writeStep = 64 << 10

func writeVolumeFile(w *tar.Writer, r *rand.Rand, k kindOfFile, i int, n int64) error {
	if err := w.WriteHeader(volumeHeader(r, fmt.Sprintf("%s/%02x/%06d", k.folder, i%64, i), tar.TypeReg, n)); err != nil {
		return err
	}
	var b []byte
	for n > 0 {
		for b = b[:0]; int64(len(b)) < min(n, writeStep); {
			b = k.content(r, b)
		}
		m := min(n, int64(len(b)))
		if _, err := w.Write(b[:m]); err != nil {
			return err
		}
		n -= m
	}
	return nil
}

// appendRecord appends one record of a table: numbers, text, and a digest.
func appendRecord(r *rand.Rand, b []byte) []byte {
	b = append(b, 0, 0, 0, byte(r.IntN(4)))
	b = strconv.AppendInt(b, 1000000+int64(r.IntN(1000000)), 10)
	b = append(b, 0, 0, 0, 24)
	b = appendSentence(b, r, 4+r.IntN(20))
	n := len(b)
	b = append(b, make([]byte, 24)...)
	fill(r, b[n:n+16]) // the other 8 stay zero, as unused fields are
	return b
}

func appendLogLine(r *rand.Rand, b []byte) []byte {
	b = touchDate().Add(time.Duration(r.Int64N(int64(1000*time.Hour)))).AppendFormat(b, "2006-01-02T15:04:05.000Z")
	b = append(b, " INFO catalogue: "...)
	b = appendSentence(b, r, 3+r.IntN(6))
	b = append(b, " accession="...)
	b = strconv.AppendInt(b, int64(r.IntN(1000000)), 10)
	return append(b, '\n')
}

func appendRandom(r *rand.Rand, b []byte) []byte {
	n := len(b)
	b = append(b, make([]byte, writeStep)...)
	fill(r, b[n:])
	return b
}

func appendSettingLine(r *rand.Rand, b []byte) []byte {
	b = appendSentence(b, r, 1)
	b = append(b, '.')
	b = appendSentence(b, r, 1)
	b = append(b, " = "...)
	b = strconv.AppendInt(b, int64(r.IntN(100000)), 10)
	return append(b, '\n')
}
