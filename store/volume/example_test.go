package volume_test

import (
	"bytes"
	"context"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"strings"
	"time"

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

// The catalogue is put back as it was before an upgrade. Until the restored folder is complete, the one
// in place is not touched.
func ExampleReplace() {
	base, err := os.MkdirTemp("", "seedbank")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(base)
	data := filepath.Join(base, "data")
	if err := os.Mkdir(data, 0o700); err != nil {
		log.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(data, "catalogue.db"), []byte("before"), 0o600); err != nil {
		log.Fatal(err)
	}
	ctx := context.Background()
	var stream bytes.Buffer
	if _, err := volume.WriteTar(ctx, &stream, data, volume.ReadOptions{}); err != nil {
		log.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(data, "catalogue.db"), []byte("spoiled"), 0o600); err != nil {
		log.Fatal(err)
	}

	r, err := volume.Replace(ctx, data, func(ctx context.Context, dir string) error {
		_, err := volume.Extract(ctx, &stream, dir, volume.ExtractOptions{})
		return err
	}, volume.ReplaceOptions{Now: func() time.Time { return time.Date(2026, 3, 14, 2, 3, 5, 0, time.UTC) }})
	if err != nil {
		log.Fatal(err)
	}
	content, err := os.ReadFile(filepath.Join(data, "catalogue.db"))
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%s; what was there is kept as %s\n", content, filepath.Base(r.Previous))
	// Output:
	// before; what was there is kept as data.before-20260314t020305z
}
