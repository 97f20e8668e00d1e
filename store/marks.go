package store

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"strings"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// putMark seals a record and puts it under a name never used before.
func putMark[R format.Record](ctx context.Context, r *Repository, kind format.ObjectKind, name string, record *R) error {
	sealer, wrapping, wrapped, err := r.keys.NewSealer(r.objectName(kind, path.Base(name)))
	if err != nil {
		return err
	}
	b := format.AppendHeader(nil, format.Header{Kind: kind, Wrapping: wrapping, Wrapped: wrapped})
	b = format.SealMark(b, record, sealer)
	if len(b) > format.MaxMark {
		return fmt.Errorf("writing %s: %d bytes: a mark has at most %d", name, len(b), format.MaxMark)
	}
	if err := r.putKept(ctx, name, b); err != nil {
		return fmt.Errorf("writing %s: %w", name, err)
	}
	return nil
}

// readMark reads and opens a mark. A mark that is not what was written gives an
// *ObjectError that wraps ErrDamaged.
func readMark[R format.Record](ctx context.Context, r *Repository, kind format.ObjectKind, info storage.Info) (*R, error) {
	record, err := openMark[R](ctx, r, kind, info)
	if err != nil {
		return nil, &ObjectError{info.Name, err}
	}
	return record, nil
}

func openMark[R format.Record](ctx context.Context, r *Repository, kind format.ObjectKind, info storage.Info) (*R, error) {
	if info.Size > format.MaxMark {
		return nil, fmt.Errorf("%w: %d bytes", ErrDamaged, info.Size)
	}
	return openKept(ctx, r, info, func(src *bufio.Reader, _ bool) (*R, error) {
		opener, err := r.openObject(src, kind, path.Base(info.Name))
		if err != nil {
			return nil, err
		}
		sealed, err := io.ReadAll(src)
		if err != nil {
			return nil, err
		}
		return format.OpenMark[R](sealed, opener)
	})
}

// listMarks lists a folder of marks. A copy of a repository may lack those that
// are empty.
func (r *Repository) listMarks(ctx context.Context, folder string) ([]storage.Info, error) {
	infos, err := r.storage.List(ctx, folder)
	if !errors.Is(err, storage.ErrGone) {
		return infos, err
	}
	if _, again := r.storage.Stat(ctx, names.Manifest); again != nil {
		return nil, err
	}
	return nil, nil
}

// folderOf gives the folder of a mark.
func folderOf(name string) string {
	folder, _, _ := strings.Cut(name, "/")
	return folder
}

func newMarkRecord(host, reason string) *format.MarkRecord {
	return &format.MarkRecord{Made: time.Now().UTC().Truncate(time.Millisecond), Host: host, Reason: reason}
}
