package store

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
)

// readAll reads an object of at most limit bytes.
func readAll(ctx context.Context, st storage.Storage, name string, limit int64) ([]byte, error) {
	info, err := st.Stat(ctx, name)
	if err != nil {
		return nil, err
	}
	return readSized(ctx, st, info, limit)
}

// readSized reads an object whose length is known.
func readSized(ctx context.Context, st storage.Storage, info storage.Info, limit int64) ([]byte, error) {
	if info.Size > limit {
		return nil, &ObjectError{info.Name, fmt.Errorf("%w: %d bytes where at most %d can be", ErrDamaged, info.Size, limit)}
	}
	b := make([]byte, info.Size)
	return b, shortIsDamage(st.ReadAt(ctx, info.Name, b, 0))
}

// shortIsDamage marks as damage that an object is shorter than it was listed.
func shortIsDamage(err error) error {
	if errors.Is(err, io.ErrUnexpectedEOF) {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return err
}

// objectReader reads an object from front to back.
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

// openObject reads the header of a sealed object and gives what opens its
// pieces. name is the object's name within its kind.
func (r *Repository) openObject(src *bufio.Reader, kind format.ObjectKind, name string) (*crypt.Opener, error) {
	b, err := src.Peek(format.MaxHeader)
	if err != nil && err != io.EOF {
		return nil, err
	}
	h, n, err := format.ParseHeader(b, kind)
	if err != nil {
		return nil, err
	}
	opener, err := h.Open(r.keys, r.objectName(kind, name))
	if err != nil {
		return nil, err
	}
	_, err = src.Discard(n)
	return opener, err
}

func (r *Repository) objectName(kind format.ObjectKind, name string) crypt.ObjectName {
	return crypt.ObjectName{Repository: r.id, Kind: kind.String(), Name: name}
}
