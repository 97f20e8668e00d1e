package volume_test

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/kistarchive/kist/store/volume"
)

// manyFiles makes 10,000 files of about 1 KiB in 100 folders.
func manyFiles(b *testing.B) string {
	dir := b.TempDir()
	content := bytes.Repeat([]byte("Phaseolus vulgaris\n"), 55)
	for i := range 100 {
		folder := fmt.Sprintf("%s/%02d", dir, i)
		must(b, os.Mkdir(folder, 0o755))
		for j := range 100 {
			must(b, os.WriteFile(fmt.Sprintf("%s/%02d", folder, j), content, 0o644))
		}
	}
	return dir
}

// largeFile makes one file of 256 MiB without a hole.
func largeFile(b *testing.B) string {
	dir := b.TempDir()
	block := make([]byte, 1<<20)
	random := rand.NewChaCha8([32]byte{})
	random.Read(block)
	must(b, os.WriteFile(dir+"/large", bytes.Repeat(block, 256), 0o644))
	return dir
}

func BenchmarkWriteTar(b *testing.B) {
	for name, tree := range map[string]func(*testing.B) string{"10000Files": manyFiles, "256MiB": largeFile} {
		b.Run(name, func(b *testing.B) {
			dir := tree(b)
			var size counter
			b.ReportAllocs()
			for b.Loop() {
				size = 0
				_, err := volume.WriteTar(context.Background(), &size, dir, volume.ReadOptions{})
				must(b, err)
			}
			b.SetBytes(int64(size))
		})
	}
}

func BenchmarkExtract(b *testing.B) {
	for name, tree := range map[string]func(*testing.B) string{"10000Files": manyFiles, "256MiB": largeFile} {
		b.Run(name, func(b *testing.B) {
			var stream bytes.Buffer
			_, err := volume.WriteTar(context.Background(), &stream, tree(b), volume.ReadOptions{})
			must(b, err)
			b.SetBytes(int64(stream.Len()))
			b.ReportAllocs()
			target := b.TempDir() + "/target"
			for b.Loop() {
				_, err := volume.Extract(context.Background(), bytes.NewReader(stream.Bytes()), target, volume.ExtractOptions{})
				must(b, err)
				b.StopTimer()
				must(b, os.RemoveAll(target))
				b.StartTimer()
			}
		})
	}
}
