package stock

import (
	"bytes"
	"cmp"
	"context"
	"io"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"testing/iotest"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// What passes through is the content to the byte, however it is asked for, and what is small is had at the end.
func TestCopying(t *testing.T) {
	for _, length := range []int{0, 1, fetch.SmallSlab - 1, fetch.SmallSlab, fetch.SmallSlab + 1, 3 * fetch.SmallSlab} {
		content := bytes.Repeat([]byte("seed"), length/4+1)[:length]
		for name, give := range map[string]func(c *copying) ([]byte, error){
			"read":     func(c *copying) ([]byte, error) { return io.ReadAll(iotest.OneByteReader(c)) },
			"write to": func(c *copying) ([]byte, error) { var b bytes.Buffer; _, err := c.WriteTo(&b); return b.Bytes(), err },
		} {
			c := &copying{from: bytes.NewReader(content)}
			got, err := give(c)
			if err != nil || !bytes.Equal(got, content) {
				t.Errorf("%s, %d bytes: got %d bytes, %v", name, length, len(got), err)
			}
			if small := length <= fetch.SmallSlab; small == c.long || small && !bytes.Equal(c.bytes, content) || !small && c.bytes != nil {
				t.Errorf("%s, %d bytes: %d bytes are had, long %v", name, length, len(c.bytes), c.long)
			}
		}
	}
}

// refusing takes what is put, and fails.
type refusing struct{ storage.Storage }

func (refusing) Put(_ context.Context, _ string, content io.Reader) error {
	_, err := io.Copy(io.Discard, content)
	return cmp.Or(err, io.ErrClosedPipe)
}

// Of longer slabs copies are kept as long as there is room for the next one, and none of one that could not be put.
func TestKeepsBases(t *testing.T) {
	dir := t.TempDir()
	os.Chmod(dir, 0o700)
	st := storage.NewMemory()
	key := crypt.NewKeyFile()
	newStock(t, st, key)
	s := openStock(t, st, key, filepath.Join(dir, "copies"))
	const length = 3 * fetch.SmallSlab
	put := func(k keeping, fails bool) bool {
		t.Helper()
		name := names.Slab(format.NewSlabID())
		err := k.Put(t.Context(), name, bytes.NewReader(make([]byte, length)))
		if fails != (err != nil) {
			t.Errorf("putting: %v", err)
		}
		file := s.Vault().Copies().Reader(name, -1)
		if file != nil {
			file.Close()
		}
		return file != nil
	}
	room := new(atomic.Int64)
	room.Store(2*length + length/2)
	k := keeping{Storage: st, r: s, bases: room}
	if put(keeping{Storage: refusing{st}, r: s, bases: room}, true) {
		t.Error("a slab is kept that was not put")
	}
	for i, want := range []bool{true, true, false} {
		if got := put(k, false); got != want {
			t.Errorf("slab %d is kept: %v", i, got)
		}
	}
	if put(keeping{Storage: st, r: s}, false) {
		t.Error("a long slab is kept where no bases are")
	}
}
