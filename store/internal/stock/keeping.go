package stock

import (
	"bytes"
	"context"
	"io"
	"path"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// keeping is a storage that keeps copies of the tables and small slabs that are put, where the next capture finds its lists, and puts
// second copies of tables. It passes no optional power on: it is for intake alone, which asks a storage for none.
type keeping struct {
	storage.Storage
	r    *Stock
	tell func(storage.Info, []*format.SlabRecord) // is told of tables that were put and kept; nil: nobody
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
	err := k.Storage.Put(ctx, name, c)
	if err == nil && !c.long {
		copies.Add(name, c.bytes)
	}
	return err
}

// copying gives a content, and has it if it is not longer than a small slab.
type copying struct {
	from  io.Reader
	bytes []byte
	long  bool
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
	if c.long = c.long || len(c.bytes)+len(p) > fetch.SmallSlab; c.long {
		c.bytes = nil
		return
	}
	c.bytes = append(c.bytes, p...)
}
