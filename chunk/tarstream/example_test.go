package tarstream_test

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"log"
	"strings"
	"time"

	"github.com/kistarchive/kist/chunk/tarstream"
)

// catalogue is the volume of the seed library's catalogue server.
func catalogue() []byte {
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	for _, f := range []struct{ name, content string }{
		{"accessions.db", "broad bean, Aquadulce"},
		{"config.toml", "listen = ':8080'\n"},
	} {
		w.WriteHeader(&tar.Header{Name: f.name, Size: int64(len(f.content)), Mode: 0o640, ModTime: time.Unix(1_770_000_000, 0)})
		io.WriteString(w, f.content)
	}
	w.Close()
	return b.Bytes()
}

// Split a stream, list its members, and put it together again.
func ExampleReader() {
	stream := catalogue()
	r := tarstream.NewReader(bytes.NewReader(stream), tarstream.Options{})
	var d tarstream.Decoder
	var joined bytes.Buffer
	for {
		part, err := r.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			log.Fatal(err)
		}
		if part.Kind == tarstream.Entry {
			m, err := d.Member(part.Header, part.Size)
			if err != nil {
				log.Fatal(err)
			}
			fmt.Println(m.Type, m.Mode, m.Size, m.Path)
		}
		joined.Write(part.Header)
		if _, err := io.Copy(&joined, r); err != nil {
			log.Fatal(err)
		}
	}
	fmt.Println("identical:", bytes.Equal(joined.Bytes(), stream))
	// Output:
	// file -rw-r----- 21 accessions.db
	// file -rw-r----- 17 config.toml
	// identical: true
}

// A stream that was cut short is refused, unless it is all there is.
func ExampleOptions() {
	cut := catalogue()[:1540]
	for _, accept := range []bool{false, true} {
		r := tarstream.NewReader(bytes.NewReader(cut), tarstream.Options{AcceptUnfinished: accept})
		_, err := r.Next()
		for err == nil {
			if _, err = io.Copy(io.Discard, r); err == nil {
				_, err = r.Next()
			}
		}
		var unfinished *tarstream.UnfinishedError
		if errors.As(err, &unfinished) {
			fmt.Println("refused at byte", unfinished.Offset)
		} else {
			fmt.Println("accepted:", r.Unfinished())
		}
	}
	// Output:
	// refused at byte 1540
	// accepted: tar stream ends at byte 1540 inside the content of a member: it was cut short; make or copy it again
}

func ExampleDecompress() {
	var packed bytes.Buffer
	w := gzip.NewWriter(&packed)
	w.Write(catalogue())
	w.Close()

	for _, input := range []io.Reader{&packed, strings.NewReader("CREATE TABLE accessions")} {
		r, compression, err := tarstream.Decompress(input)
		if err != nil {
			log.Fatal(err)
		}
		n, err := io.Copy(io.Discard, r)
		if err != nil {
			log.Fatal(err)
		}
		r.Close()
		fmt.Printf("%q, %d bytes\n", compression, n)
	}
	// Output:
	// "gzip", 3072 bytes
	// "", 23 bytes
}
