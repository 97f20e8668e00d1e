package stock

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// readTable reads a table, or the copy that is kept of it. With an error it gives the
// records before the place of damage.
func (r *Stock) readTable(ctx context.Context, info storage.Info) ([]*format.SlabRecord, error) {
	if records := r.readTableCopy(info); records != nil {
		return records, nil
	}
	records, err := r.decodeTable(r.vault.Reader(ctx, info), info)
	if err != nil {
		again, failed := vault.TrySpare(ctx, r.vault, info.Name, maxSpareTable, err, func(b []byte) ([]*format.SlabRecord, error) {
			return r.decodeTable(bytes.NewReader(b), info)
		})
		if failed == nil {
			records, err = again, nil
		}
	}
	if err == nil {
		r.keepTable(info, records)
	}
	return records, err
}

// maxSpareTable is the length in bytes of the longest table that is read by its second copy: those that captures
// write have some MiB.
const maxSpareTable = 64 << 20

// Bounds of what is in memory at a time of tables that are read, in bytes of them.
const (
	tablesAtOnce = 24 << 20
	longTable    = maxSpareTable // a longer one is not as a whole, if whoever reads it can do without
	longRest     = 4 << 20       // identities of such a one that are read together
)

var errEnough = errors.New("enough")

// streamTable reads a table record by record. It uses and keeps no copy.
func (r *Stock) streamTable(ctx context.Context, info storage.Info, use func(*format.SlabRecord) error) error {
	src := vault.Buffered(r.vault.Reader(ctx, info), info)
	opener, err := r.vault.Opener(src, format.Table, path.Base(info.Name))
	if err != nil {
		return err
	}
	for in := format.NewRecordReader(src, opener); ; {
		plain, err := in.Next()
		if err == io.EOF {
			return nil
		}
		var rec *format.SlabRecord
		if err == nil {
			rec, err = format.DecodeSlabRecord(plain)
		}
		if err == nil {
			err = use(rec)
		}
		if err != nil {
			return err
		}
	}
}

// someTables gives the number of the first tables that are read together.
func someTables(tables []storage.Info) (n int) {
	for size := int64(0); n < len(tables); n++ {
		if size += tables[n].Size; n > 0 && size > tablesAtOnce {
			break
		}
	}
	return n
}

// decodeTable reads a table object.
func (r *Stock) decodeTable(object io.Reader, info storage.Info) ([]*format.SlabRecord, error) {
	src := vault.Buffered(object, info)
	opener, err := r.vault.Opener(src, format.Table, path.Base(info.Name))
	if err != nil {
		return nil, err
	}
	return readRecords(src, opener, func(records []*format.SlabRecord, plain []byte) ([]*format.SlabRecord, error) {
		rec, err := format.DecodeSlabRecord(plain)
		if err != nil {
			return records, err
		}
		return append(records, rec), nil
	})
}

// readRecords reads all records of a table or of a copy, each of which decode appends.
func readRecords(src io.Reader, opener *crypt.Opener, decode func([]*format.SlabRecord, []byte) ([]*format.SlabRecord, error)) (records []*format.SlabRecord, err error) {
	for in := format.NewRecordReader(src, opener); ; {
		plain, err := in.Next()
		if err == io.EOF {
			return records, nil
		}
		if err != nil {
			return records, err
		}
		if records, err = decode(records, plain); err != nil {
			return records, err
		}
	}
}

// readTableCopy gives the records of the copy that is kept of a table, or nil. Whatever
// is wrong with a copy, the table decides.
func (r *Stock) readTableCopy(info storage.Info) []*format.SlabRecord {
	return r.readCopyAs(copyOf(info), info)
}

// copyOf is where a copy of a table is kept.
func copyOf(info storage.Info) string { return info.Name }

// readCopyAs is readTableCopy for a copy that is kept under a name.
func (r *Stock) readCopyAs(name string, info storage.Info) []*format.SlabRecord {
	records, err := r.openTableCopy(name, info, func(src io.Reader, opener *crypt.Opener) ([]*format.SlabRecord, error) {
		return readRecords(src, opener, format.DecodeTableCopy)
	})
	if err != nil {
		r.vault.Copies().Drop(name)
		return nil
	}
	return records
}

// readCopyPiece gives the records of a piece of the copy of a table that is kept under a name, or nil.
func (r *Stock) readCopyPiece(name string, info storage.Info, piece uint32) []*format.SlabRecord {
	records, err := r.openTableCopy(name, info, func(src io.Reader, opener *crypt.Opener) ([]*format.SlabRecord, error) {
		in := format.NewRecordReader(src, opener)
		for range piece {
			if err := in.Skip(); err != nil {
				return nil, err
			}
		}
		plain, err := in.Next()
		if err != nil {
			return nil, err
		}
		return format.DecodeTableCopy(nil, plain)
	})
	if err != nil {
		return nil
	}
	return records
}

// openTableCopy has the copy of a table read that is kept under a name, if there is one.
func (r *Stock) openTableCopy(name string, info storage.Info, read func(io.Reader, *crypt.Opener) ([]*format.SlabRecord, error)) ([]*format.SlabRecord, error) {
	file := r.vault.Copies().Reader(name, -1)
	if file == nil {
		return nil, nil
	}
	defer file.Close()
	src := vault.Buffered(file, info)
	opener, err := r.vault.Opener(src, format.TableCopy, copyName(info))
	if err != nil {
		return nil, err
	}
	return read(src, opener)
}

// keepTable keeps a copy of a table that was accepted.
func (r *Stock) keepTable(info storage.Info, records []*format.SlabRecord) {
	if r.vault.Copies() == nil || len(records) == 0 || slices.ContainsFunc(records, hasFormer) {
		return // a copy would leave something out
	}
	b, sealer, err := r.vault.Sealer(format.TableCopy, copyName(info))
	if err != nil {
		return
	}
	n := uint64(0)
	seal := func(plain []byte) {
		b = format.AppendRecord(b, plain, n, sealer)
		n++
	}
	format.EncodeTableCopy(records, seal)
	seal(nil)
	r.vault.Copies().Add(info.Name, b)
}

// copyName binds a copy to its table, and to the length with which that is listed.
func copyName(info storage.Info) string {
	return fmt.Sprintf("%s of %d bytes", path.Base(info.Name), info.Size)
}
