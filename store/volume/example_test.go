package volume_test

import (
	"bytes"
	"context"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"strings"

	"github.com/kistarchive/kist/store/volume"
)

// The catalogue of a seed library is read as a tar stream, and what belongs to its certificates is
// restored into a new folder.
func Example() {
	base, err := os.MkdirTemp("", "seedbank")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(base)
	for name, content := range map[string]string{
		"data/catalogue.db": "Phaseolus vulgaris", "data/certs/hazel.pem": "certificate",
	} {
		path := filepath.Join(base, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			log.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			log.Fatal(err)
		}
	}

	ctx := context.Background()
	var stream bytes.Buffer
	read, err := volume.WriteTar(ctx, &stream, filepath.Join(base, "data"), volume.ReadOptions{
		OnEntry: func(path string, size int64) { fmt.Printf("%s (%d bytes)\n", path, size) },
	})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(read.Members, "members,", len(read.Changed), "changed while they were read")

	restored, err := volume.Extract(ctx, &stream, filepath.Join(base, "restored"), volume.ExtractOptions{
		Only: func(path string) bool { return strings.HasPrefix(path, "certs/") },
	})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(restored.Members, "restored,", restored.Bytes, "bytes")
	// Output:
	// . (0 bytes)
	// catalogue.db (18 bytes)
	// certs (0 bytes)
	// certs/hazel.pem (11 bytes)
	// 4 members, 0 changed while they were read
	// 1 restored, 11 bytes
}
