package give

import (
	"context"
	"fmt"
	"io"
	"io/fs"
	"sync"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// File is the content of a member: an io.ReadSeekCloser and an io.ReaderAt.
//
// Several goroutines may call its methods; ReadAt does not wait for others and leaves alone
// where Read goes on.
type File struct {
	stretch
	l      *Opened
	m      *listedMember
	cancel context.CancelFunc

	using  sync.RWMutex // held for writing to close
	closed bool

	mu   sync.Mutex // of what follows: where Read goes on
	off  int64
	read *memberStream // nil: none is open
}

func (l *Opened) openFile(ctx context.Context, m *listedMember) (*File, error) {
	c, err := l.prepared(ctx)
	if err != nil {
		return nil, err
	}
	part, err := l.r.stretch(ctx, c, m.chunk, m.chunks)
	if err != nil {
		return nil, err
	}
	if uint64(part.length) != m.length {
		return nil, fmt.Errorf("%w: its chunks have %d bytes, and it has %d", format.ErrDamaged, part.length, m.length)
	}
	f := &File{l: l, m: m, stretch: *part}
	f.ctx, f.cancel = context.WithCancel(ctx)
	return f, nil
}

// Member gives the member whose content it is; the target of a hard link.
func (f *File) Member() *tarstream.Member { return f.m.Member }

// Size gives the length of the content in bytes, holes included.
func (f *File) Size() int64 { return f.m.Size }

// Close ends the reading, also of others, and waits until it has ended.
func (f *File) Close() error {
	f.cancel()
	f.using.Lock()
	defer f.using.Unlock()
	if f.closed {
		return fs.ErrClosed
	}
	f.closed = true
	f.read.close()
	f.read = nil
	return nil
}

// Read implements io.Reader.
func (f *File) Read(p []byte) (int, error) {
	f.using.RLock()
	defer f.using.RUnlock()
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.closed {
		return 0, fs.ErrClosed
	}
	n, err := f.readOn(p)
	f.off += int64(n)
	return n, f.explain(err)
}

func (f *File) readOn(p []byte) (int, error) {
	if err := f.l.r.vault.Open(); err != nil {
		return 0, err
	}
	if f.ctx.Err() != nil {
		return 0, context.Cause(f.ctx)
	}
	if f.off >= f.m.Size {
		if err := f.contents.proof.err; err != nil {
			return 0, err
		}
		return 0, io.EOF
	}
	if len(p) == 0 {
		return 0, nil
	}
	if f.read == nil || f.read.at != f.off && !(f.m.Sparse && f.read.at < f.off) {
		f.read.close()
		f.read = nil
		s, err := f.stream(f.off, int64(f.m.length))
		if err != nil {
			return 0, err
		}
		f.read = s
	}
	n, err := f.read.readFrom(f.off, p[:min(int64(len(p)), f.m.Size-f.off)])
	if err != nil { // begin anew next time
		f.read.close()
		f.read = nil
		err = weave.OrDamage(err, "its contents end too early")
	}
	return n, err
}

// Seek implements io.Seeker. Nothing is read before Read is called.
func (f *File) Seek(offset int64, whence int) (int64, error) {
	f.using.RLock()
	defer f.using.RUnlock()
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.closed {
		return 0, fs.ErrClosed
	}
	switch whence {
	case io.SeekStart:
	case io.SeekCurrent:
		offset += f.off
	case io.SeekEnd:
		offset += f.m.Size
	default:
		return 0, fmt.Errorf("member %q: seeking: whence is %d: %w", f.m.Path, whence, fs.ErrInvalid)
	}
	if offset < 0 {
		return 0, fmt.Errorf("member %q: seeking before its begin: %w", f.m.Path, fs.ErrInvalid)
	}
	f.off = offset
	return offset, nil
}

// ReadAt implements io.ReaderAt.
func (f *File) ReadAt(p []byte, off int64) (int, error) {
	f.using.RLock()
	defer f.using.RUnlock()
	if f.closed {
		return 0, fs.ErrClosed
	}
	if off < 0 {
		return 0, fmt.Errorf("member %q: reading before its begin: %w", f.m.Path, fs.ErrInvalid)
	}
	n, err := 0, error(nil)
	if want := min(int64(len(p)), f.m.Size-off); want > 0 {
		n, err = f.readPart(p[:want], off)
	}
	if err == nil {
		err = f.contents.proof.err
	}
	if err == nil && n < len(p) {
		err = io.EOF
	}
	return n, f.explain(err)
}

func (f *File) readPart(p []byte, off int64) (n int, err error) {
	if err := f.l.r.vault.Open(); err != nil {
		return 0, err
	}
	s, err := f.stream(off, off+int64(len(p)))
	if err != nil {
		return 0, err
	}
	defer s.close()
	for n < len(p) && err == nil {
		var k int
		k, err = s.readFrom(off+int64(n), p[n:])
		n += k
	}
	if n == len(p) {
		return n, nil
	}
	return n, weave.OrDamage(err, "its contents end too early")
}

// explain says which member an error is about, and what it means.
func (f *File) explain(err error) error {
	if vault.IsDamage(err) {
		err = fmt.Errorf("member %q: %w", f.m.Path, err)
	}
	return f.l.r.OrMoved(f.ctx, f.l.v, err)
}

// stream opens a content for reading from a byte up to another; if it is sparse, from
// its begin to its end.
func (f *File) stream(from, to int64) (*memberStream, error) {
	if f.m.Sparse {
		s, err := f.stored(0, int64(f.m.length))
		if err != nil {
			return nil, err
		}
		if s.in, err = tarstream.Expand(f.m.head, int64(f.m.length), s.in); err != nil {
			s.close()
			return nil, fmt.Errorf("%w: %w", format.ErrDamaged, err)
		}
		return s, nil
	}
	return f.stored(from, to)
}
