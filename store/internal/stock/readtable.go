package stock

import (
	"bytes"
	"context"
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
	return r.readCopyAs(info.Name, info)
}

// readCopyAs is readTableCopy for a copy that is kept under a name.
func (r *Stock) readCopyAs(name string, info storage.Info) []*format.SlabRecord {
	file := r.vault.Copies().Reader(name, -1)
	if file == nil {
		return nil
	}
	defer file.Close()
	src := vault.Buffered(file, info)
	opener, err := r.vault.Opener(src, format.TableCopy, copyName(info))
	if err == nil {
		var records []*format.SlabRecord
		if records, err = readRecords(src, opener, format.DecodeTableCopy); err == nil {
			return records
		}
	}
	r.vault.Copies().Drop(name)
	return nil
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
