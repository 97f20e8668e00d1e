package store

import (
	"context"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// readMark reads and opens a mark. A mark that is not what was written gives an
// *ObjectError that wraps ErrDamaged.
func readMark[R format.Record](ctx context.Context, r *Repository, kind format.ObjectKind, info storage.Info) (*R, error) {
	record, err := vault.ReadMark[R](ctx, r.vault, kind, info)
	if err != nil {
		return nil, &ObjectError{Object: info.Name, Err: err}
	}
	return record, nil
}

func newMarkRecord(host, reason string) *format.MarkRecord {
	return &format.MarkRecord{Made: time.Now().UTC().Truncate(time.Millisecond), Host: host, Reason: reason}
}
