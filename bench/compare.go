package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// errDiffers is returned where what was restored is not the original.
var errDiffers = errors.New("what was restored differs from the original")

// compare restores a capture and compares it with the original, byte by byte and
// by the SHA-256 that the capture recorded.
func (r *repository) compare(ctx context.Context, c *store.Capture, original string) error {
	f, err := os.Open(original)
	if err != nil {
		return err
	}
	defer f.Close()
	w := newComparer(f)
	if err := r.restoreStream(ctx, c, w); err != nil {
		return err
	}
	return w.finish(c.Volumes[0].SHA256)
}

// comparer compares what is written to it with an original.
type comparer struct {
	original *bufio.Reader
	want     []byte
	offset   int64
	sum      hash.Hash // of the original
}

func newComparer(original io.Reader) *comparer {
	return &comparer{original: bufio.NewReaderSize(original, 1<<20), sum: sha256.New()}
}

func (c *comparer) Write(p []byte) (int, error) {
	if len(c.want) < len(p) {
		c.want = make([]byte, len(p))
	}
	n, err := io.ReadFull(c.original, c.want[:len(p)])
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return 0, err
	}
	same := commonLength(p, c.want[:n])
	if same < len(p) {
		return same, fmt.Errorf("%w at byte %d", errDiffers, c.offset+int64(same))
	}
	c.sum.Write(p)
	c.offset += int64(n)
	return n, nil
}

func commonLength(a, b []byte) int {
	if bytes.Equal(a, b) {
		return len(a)
	}
	n := 0
	for n < min(len(a), len(b)) && a[n] == b[n] {
		n++
	}
	return n
}

// finish tells whether all of the original was written, and has that SHA-256, in
// hexadecimal.
func (c *comparer) finish(sum string) error {
	if err := c.atEnd(); err != nil {
		return err
	}
	if got := hex.EncodeToString(c.sum.Sum(nil)); got != sum {
		return fmt.Errorf("%w: the original's SHA-256 is %s, the capture recorded %q", errDiffers, got, sum)
	}
	return nil
}

// atEnd tells whether all of the original was written.
func (c *comparer) atEnd() error {
	_, err := c.original.ReadByte()
	if err == nil {
		err = fmt.Errorf("%w: it ends at byte %d", errDiffers, c.offset)
	}
	if err == io.EOF {
		return nil
	}
	return err
}

// compareFiles compares a copy with an original.
func compareFiles(original, copied string) error {
	a, err := os.Open(original)
	if err != nil {
		return err
	}
	defer a.Close()
	b, err := os.Open(copied)
	if err != nil {
		return err
	}
	defer b.Close()
	c := newComparer(a)
	if _, err := io.Copy(c, b); err != nil {
		return err
	}
	return c.atEnd()
}

// compareByTar has GNU tar compare a folder with the tarball that was restored
// into it.
func compareByTar(ctx context.Context, tarball, dir string) error {
	said, err := output(ctx, command{args: []string{"tar", "--compare", "-f", tarball, "-C", dir}})
	if err != nil {
		return fmt.Errorf("%w: %w: %.500s", errDiffers, err, said)
	}
	return nil
}

// compareFolder compares a folder with the tarball of volume.WriteTar that was
// restored into it: by GNU tar, and by writing the tar stream anew.
func compareFolder(ctx context.Context, tarball, dir string) error {
	if err := compareByTar(ctx, tarball, dir); err != nil {
		return err
	}
	f, err := os.Open(tarball)
	if err != nil {
		return err
	}
	defer f.Close()
	w := newComparer(f)
	if _, err := volume.WriteTar(ctx, w, dir, volume.ReadOptions{}); err != nil {
		return err
	}
	return w.atEnd()
}
