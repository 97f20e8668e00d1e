package vault

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"path"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// PutMark seals a record and puts it under a name never used before.
func PutMark[R format.Record](ctx context.Context, v *Vault, kind format.ObjectKind, name string, record *R) error {
	header, sealer, err := v.Sealer(kind, path.Base(name))
	if err != nil {
		return err
	}
	b := format.SealMark(header, record, sealer)
	if len(b) > format.MaxMark {
		return fmt.Errorf("writing %s: %d bytes: a mark has at most %d", name, len(b), format.MaxMark)
	}
	if err := v.PutKept(ctx, name, b); err != nil {
		return fmt.Errorf("writing %s: %w", name, err)
	}
	return nil
}

// drawnNames bounds how many names an object is tried under. That a machine draws the letters of another one's object of the same
// minute is rare, and that it does so again and again is not chance: then the storage says so of any name.
const drawnNames = 8

// Draw calls put, which draws a name and puts an object under it, again where the name is taken already.
func Draw(put func() error) (err error) {
	for range drawnNames {
		if err = put(); !errors.Is(err, storage.ErrExists) {
			break
		}
	}
	return err
}

// ReadMark reads and opens a mark. A mark that is not what was written gives an
// *ObjectError that wraps format.ErrDamaged.
func ReadMark[R format.Record](ctx context.Context, v *Vault, kind format.ObjectKind, info storage.Info) (*R, error) {
	record, err := openMark[R](ctx, v, kind, info)
	if err != nil {
		return nil, &ObjectError{Object: info.Name, Err: err}
	}
	return record, nil
}

func openMark[R format.Record](ctx context.Context, v *Vault, kind format.ObjectKind, info storage.Info) (*R, error) {
	return openMarkAs[R](ctx, v, kind, info, path.Base(info.Name))
}

// openMarkAs is openMark for an object whose bytes were sealed under a name.
func openMarkAs[R format.Record](ctx context.Context, v *Vault, kind format.ObjectKind, info storage.Info, name string) (*R, error) {
	if info.Size > format.MaxMark {
		return nil, fmt.Errorf("%w: %d bytes", format.ErrDamaged, info.Size)
	}
	return ReadKept(ctx, v, info, func(src *bufio.Reader, _ bool) (*R, error) {
		opener, err := v.Opener(src, kind, name)
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

// ListMarks lists a folder of marks. A copy of a repository may lack those that
// are empty.
func (v *Vault) ListMarks(ctx context.Context, folder string) ([]storage.Info, error) {
	list := v.List
	if folder == names.Leases { // which are renewed
		list = v.storage.List
	}
	infos, err := list(ctx, folder)
	if !errors.Is(err, storage.ErrGone) {
		return infos, err
	}
	if _, again := v.storage.Stat(ctx, names.Manifest); again != nil {
		return nil, err
	}
	return nil, nil
}
