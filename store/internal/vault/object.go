package vault

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
)

// readAll reads an object of at most limit bytes.
func readAll(ctx context.Context, st storage.Storage, name string, limit int64) ([]byte, error) {
	b, info, err := readFront(ctx, st, name, limit)
	if errors.Is(err, errors.ErrUnsupported) {
		if info, err = st.Stat(ctx, name); err == nil {
			return readSized(ctx, st, info, limit)
		}
	}
	if err != nil {
		return nil, err
	}
	return b, checkLimit(info, limit)
}

// atOnce is how long an object may be, in bytes, that is read without knowing its length: there is room for all that it may have.
const atOnce = 64 << 10

// readFront reads an object by one call of the storage, as far as limit bytes go.
func readFront(ctx context.Context, st storage.Storage, name string, limit int64) ([]byte, storage.Info, error) {
	reader, ok := st.(storage.FrontReader)
	if !ok || limit > atOnce {
		return nil, storage.Info{}, errors.ErrUnsupported
	}
	b := make([]byte, limit)
	info, err := reader.ReadFront(ctx, name, b)
	return b[:min(info.Size, limit)], info, err
}

// checkLimit refuses an object of more than limit bytes.
func checkLimit(info storage.Info, limit int64) error {
	if info.Size > limit {
		return &ObjectError{info.Name, fmt.Errorf("%w: %d bytes where at most %d can be", format.ErrDamaged, info.Size, limit)}
	}
	return nil
}

// readSized reads an object whose length is known.
func readSized(ctx context.Context, st storage.Storage, info storage.Info, limit int64) ([]byte, error) {
	if err := checkLimit(info, limit); err != nil {
		return nil, err
	}
	b := make([]byte, info.Size)
	return b, shortIsDamage(st.ReadAt(ctx, info.Name, b, 0))
}

// Raw gives an object of at most limit bytes as it lies in the storage.
func (v *Vault) Raw(ctx context.Context, info storage.Info, limit int64) ([]byte, error) {
	return readSized(ctx, v.storage, info, limit)
}

// shortIsDamage marks as damage that an object is shorter than it was listed.
func shortIsDamage(err error) error {
	if errors.Is(err, io.ErrUnexpectedEOF) {
		return fmt.Errorf("%w: %w", format.ErrDamaged, err)
	}
	return err
}

// Reader reads an object from front to back. Where it is shorter than it was listed,
// that is damage.
func (v *Vault) Reader(ctx context.Context, info storage.Info) io.Reader {
	return &objectReader{ctx: ctx, st: v.storage, info: info}
}

type objectReader struct {
	ctx  context.Context
	st   storage.Storage
	info storage.Info
	off  int64
}

func (o *objectReader) Read(p []byte) (int, error) {
	if o.off >= o.info.Size {
		return 0, io.EOF
	}
	p = p[:min(int64(len(p)), o.info.Size-o.off)]
	if err := o.st.ReadAt(o.ctx, o.info.Name, p, o.off); err != nil {
		return 0, shortIsDamage(err)
	}
	o.off += int64(len(p))
	return len(p), nil
}

// Buffered reads an object, or a copy of it, as much at a time as suits its length: up to
// 1 MiB.
func Buffered(src io.Reader, info storage.Info) *bufio.Reader {
	return bufio.NewReaderSize(src, int(min(1<<20, max(info.Size, format.MaxHeader))))
}

// Opener reads the header of a sealed object and gives what opens its pieces. name is the
// object's name within its kind.
func (v *Vault) Opener(src *bufio.Reader, kind format.ObjectKind, name string) (*crypt.Opener, error) {
	b, err := src.Peek(format.MaxHeader)
	if err != nil && err != io.EOF {
		return nil, err
	}
	h, n, err := format.ParseHeader(b, kind)
	if err != nil {
		return nil, err
	}
	opener, err := h.Open(v.keys, v.objectName(kind, name))
	if err != nil {
		return nil, err
	}
	_, err = src.Discard(n)
	return opener, err
}

// CheckHeader makes sure that an object was begun by somebody with the key, whatever
// became of the rest.
func (v *Vault) CheckHeader(ctx context.Context, kind format.ObjectKind, info storage.Info) error {
	return v.checkHeaderAs(ctx, kind, info, info.Name)
}

// checkHeaderAs is CheckHeader for an object whose bytes are those of another name.
func (v *Vault) checkHeaderAs(ctx context.Context, kind format.ObjectKind, info storage.Info, name string) error {
	b := make([]byte, min(info.Size, format.MaxHeader))
	if err := shortIsDamage(v.storage.ReadAt(ctx, info.Name, b, 0)); err != nil {
		return err
	}
	_, err := v.Opener(bufio.NewReaderSize(bytes.NewReader(b), format.MaxHeader), kind, path.Base(name))
	return err
}

// Sealer gives the header of a new object and what seals its pieces. name is the object's
// name within its kind.
func (v *Vault) Sealer(kind format.ObjectKind, name string) (header []byte, sealer *crypt.Sealer, err error) {
	sealer, wrapping, wrapped, err := v.keys.NewSealer(v.objectName(kind, name))
	if err != nil {
		return nil, nil, err
	}
	return format.AppendHeader(nil, format.Header{Kind: kind, Wrapping: wrapping, Wrapped: wrapped}), sealer, nil
}

func (v *Vault) objectName(kind format.ObjectKind, name string) crypt.ObjectName {
	return crypt.ObjectName{Repository: v.manifest.ID, Kind: kind.String(), Name: name}
}
