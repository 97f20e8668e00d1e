package store

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"path/filepath"
	"strings"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/cache"
)

// openKept opens a small object: the copy of it that is kept on this machine, or
// else the object itself, of which it keeps a copy. Whatever is wrong with a copy,
// the object decides. open reads to the end of the object; it is told of a copy, which
// was accepted when it was kept.
func openKept[T any](ctx context.Context, r *Repository, info storage.Info, open func(src *bufio.Reader, copied bool) (T, error)) (T, error) {
	kept := r.keptFor(info.Name)
	if file := kept.Reader(info.Name, info.Size); file != nil {
		v, err := open(bufio.NewReaderSize(file, objectBuffer(info)), true)
		file.Close()
		if err == nil {
			return v, nil
		}
		kept.Drop(info.Name)
	}
	copied := kept.Writer(info.Name, info.Size)
	src := io.TeeReader(&objectReader{ctx: ctx, st: r.storage, info: info}, copied)
	v, err := open(bufio.NewReaderSize(src, objectBuffer(info)), false)
	if err != nil {
		copied.Discard()
	} else {
		copied.Keep()
	}
	return v, err
}

// objectBuffer is how much of an object is read at a time: up to 1 MiB.
func objectBuffer(info storage.Info) int {
	return int(min(1<<20, max(info.Size, format.MaxHeader)))
}

// putKept puts a small object and keeps a copy of it.
func (r *Repository) putKept(ctx context.Context, name string, content []byte) error {
	err := r.storage.Put(ctx, name, bytes.NewReader(content))
	if err == nil {
		r.keptFor(name).Add(name, content)
	}
	return err
}

// keptFor gives the cache for objects of which copies are kept as they are, or nil:
// leases are short-lived, of slabs fetch keeps the small ones, copies of tables have
// another form (see keepTable), and the rest tells what the repository is.
func (r *Repository) keptFor(name string) *cache.Folder {
	switch folder, _, _ := strings.Cut(name, "/"); folder {
	case names.Captures, names.Holds, names.Retired, names.Condemned:
		return r.kept
	}
	return nil
}

// openCache opens the cache of this repository, if one is wanted and can be had.
func (r *Repository) openCache(o OpenOptions) {
	if o.Cache == "" {
		return
	}
	// It is only slower without.
	r.kept, _ = cache.Open(filepath.Join(o.Cache, r.id.String()), o.CacheSize)
	r.slabs.Keep(r.kept)
}
