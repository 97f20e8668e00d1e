package stock

import (
	"bytes"
	"context"
	"io"
	"path"
	"sync/atomic"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/cache"
)

// keeping is a storage that keeps copies of the tables and small slabs that are put, where the next capture finds its lists, and puts
// second copies of tables; of longer slabs as far as it may. It passes no optional power on: it is for intake alone, which asks a storage for none.
type keeping struct {
	storage.Storage
	r     *Stock
	bases *atomic.Int64                            // how many bytes of longer slabs are kept yet; nil: none
	tell  func(storage.Info, []*format.SlabRecord) // is told of tables that were put and kept; nil: nobody
}

// TellTables has a function told of the tables that an intake puts, with the length of each, from a goroutine of the intake.
func TellTables(cfg *intake.Config, tell func(storage.Info, []*format.SlabRecord)) {
	if k, ok := cfg.Storage.(keeping); ok {
		k.tell = tell
		cfg.Storage = k
	}
}

// Put implements storage.Storage.
func (k keeping) Put(ctx context.Context, name string, content io.Reader) error {
	if path.Dir(name) != names.Tables {
		return k.putSlab(ctx, name, content)
	}
	var b bytes.Buffer // a table lists some GiB of slabs in some MiB
	if err := k.Storage.Put(ctx, name, io.TeeReader(content, &b)); err != nil {
		return err
	}
	if b.Len() <= maxSpareTable {
		k.r.vault.PutSpare(ctx, name, b.Bytes())
	}
	if k.r.vault.Copies() == nil {
		return nil
	}
	info := storage.Info{Name: name, Size: int64(b.Len())}
	if records, err := k.r.decodeTable(&b, info); err == nil {
		k.r.keepTable(info, records)
		if k.tell != nil {
			k.tell(info, records)
		}
	}
	return nil
}

func (k keeping) putSlab(ctx context.Context, name string, content io.Reader) error {
	copies := k.r.vault.Copies()
	if copies == nil {
		return k.Storage.Put(ctx, name, content)
	}
	c := &copying{from: content}
	if k.bases != nil && k.bases.Load() > 0 {
		c.rest = func() *cache.Writer { return copies.UpTo(name, min(format.SlabTarget, k.bases.Load())) }
	}
	err := k.Storage.Put(ctx, name, c)
	switch {
	case err != nil:
		c.file.Discard()
	case !c.long:
		copies.Add(name, c.bytes)
	case c.file != nil:
		k.bases.Add(-c.file.Keep())
	}
	return err
}

// copying gives a content, and has it if it is not longer than a small slab; else there is a copy of it if rest gives room.
type copying struct {
	from  io.Reader
	bytes []byte
	long  bool
	rest  func() *cache.Writer // nil: none
	file  *cache.Writer        // of a long one; nil: none
}

// Read implements io.Reader.
func (c *copying) Read(p []byte) (int, error) {
	n, err := c.from.Read(p)
	c.add(p[:n])
	return n, err
}

// WriteTo implements io.WriterTo: a slab that is being filled is passed on without a copy between.
func (c *copying) WriteTo(w io.Writer) (int64, error) { return io.Copy(copyingTo{w, c}, c.from) }

type copyingTo struct {
	io.Writer
	copy *copying
}

// Write implements io.Writer.
func (t copyingTo) Write(p []byte) (int, error) {
	n, err := t.Writer.Write(p)
	t.copy.add(p[:n])
	return n, err
}

func (c *copying) add(p []byte) {
	if !c.long && len(c.bytes)+len(p) > fetch.SmallSlab {
		if c.long = true; c.rest != nil {
			c.file = c.rest()
		}
		c.file.Write(c.bytes)
		c.bytes = nil
	}
	if c.long {
		c.file.Write(p)
		return
	}
	c.bytes = append(c.bytes, p...)
}
