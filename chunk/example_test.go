package chunk_test

import (
	"bytes"
	"fmt"
	"io"
	"log"
	"math/rand/v2"
	"strings"

	"github.com/kistarchive/kist/chunk"
)

// The catalogue of the seed library gains one entry near its middle. All
// chunks but the ones around it stay the same.
func ExampleCutter() {
	// A stream derived from a secret key in earnest.
	source := rand.NewChaCha8([32]byte([]byte("seedbank on hazel, an example...")))
	polynomial, err := chunk.DerivePolynomial(source)
	if err != nil {
		log.Fatal(err)
	}
	cutter, err := chunk.NewCutter(chunk.Params{Average: chunk.MinAverage, Polynomial: polynomial})
	if err != nil {
		log.Fatal(err)
	}

	var catalogue strings.Builder
	for i := range 20_000 {
		fmt.Fprintf(&catalogue, "accession %d: %x\n", i, source.Uint64())
	}
	before := catalogue.String()
	middle := len(before) / 2
	after := before[:middle] + "broad bean, Aquadulce\n" + before[middle:]

	seen := map[string]bool{}
	for _, content := range []string{before, after} {
		cutter.Reset(strings.NewReader(content))
		fresh := 0
		buf := make([]byte, 4*chunk.MinAverage)
		for {
			c, err := cutter.Next(buf)
			if err == io.EOF {
				break
			}
			if err != nil {
				log.Fatal(err)
			}
			if !seen[string(c)] {
				fresh++
			}
			seen[string(c)] = true
		}
		fmt.Println(fresh, "new chunks")
	}
	// Output:
	// 85 new chunks
	// 1 new chunks
}

func ExampleWriter() {
	polynomial, err := chunk.DerivePolynomial(rand.NewChaCha8([32]byte{1}))
	if err != nil {
		log.Fatal(err)
	}
	longest := 0
	w, err := chunk.NewWriter(chunk.Params{Average: chunk.DefaultAverage, Polynomial: polynomial},
		func(c []byte) error {
			longest = max(longest, len(c))
			return nil
		})
	if err != nil {
		log.Fatal(err)
	}
	if _, err := io.Copy(w, bytes.NewReader(make([]byte, 1<<20))); err != nil {
		log.Fatal(err)
	}
	if err := w.Close(); err != nil {
		log.Fatal(err)
	}
	fmt.Println("no chunk is longer than 64 KiB:", longest <= 64<<10)
	// Output: no chunk is longer than 64 KiB: true
}
