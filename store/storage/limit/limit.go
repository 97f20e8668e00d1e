// Package limit makes a storage take and give no more than so many bytes a second, so that a slow
// line is left for others.
package limit

import (
	"context"
	"errors"
	"io"
	"time"

	"golang.org/x/time/rate"

	"github.com/kistarchive/kist/store/storage"
)

// MinRate is the lowest rate, in bytes a second: below it no work would come to its end.
const MinRate = 1 << 10

// ErrRate is returned for a rate below MinRate.
var ErrRate = errors.New("a rate below 1 KiB a second")

// most is how many bytes are let through at a time: small enough that little goes out at once.
const most = 64 << 10

// Storage passes calls on to another storage, with no more than so many bytes a second of what objects
// hold, read and written together. After a pause up to half a second's worth goes at once. What the calls themselves, names and
// listings take on the wire is not counted. It has the powers of what is inside. Its methods may be called at the
// same time, and share the rate.
type Storage struct {
	inner   storage.Storage
	limiter *rate.Limiter
}

var _ interface {
	storage.Storage
	storage.Clock
	storage.Anchored
	storage.Lenient
	storage.Sweeper
	storage.Namer
	storage.AfterLister
	storage.FrontReader
	storage.Dropper
	storage.Parallel
	storage.Retainer
} = (*Storage)(nil)

// New limits a storage to so many bytes a second. It fails with [ErrRate].
func New(inner storage.Storage, bytesPerSecond int64) (*Storage, error) {
	if bytesPerSecond < MinRate {
		return nil, ErrRate
	}
	return &Storage{inner, rate.NewLimiter(rate.Limit(bytesPerSecond), int(min(bytesPerSecond/2, 1<<30)))}, nil
}

// wait waits until n more bytes may go.
func (s *Storage) wait(ctx context.Context, n int) error {
	for n > 0 {
		some := min(n, s.limiter.Burst())
		if err := s.limiter.WaitN(ctx, some); err != nil {
			if _, ends := ctx.Deadline(); ends {
				<-ctx.Done() // it would end first
			}
			if ctx.Err() != nil {
				return ctx.Err()
			}
			return err
		}
		n -= some
	}
	return nil
}

// Put implements [storage.Storage].
func (s *Storage) Put(ctx context.Context, name string, content io.Reader) error {
	return s.inner.Put(ctx, name, &reader{s, ctx, content})
}

// reader is content that comes no faster than it may.
type reader struct {
	s   *Storage
	ctx context.Context
	r   io.Reader
}

func (r *reader) Read(p []byte) (int, error) {
	n, err := r.r.Read(p[:min(len(p), most)])
	if n > 0 {
		if failed := r.s.wait(r.ctx, n); failed != nil {
			return 0, failed
		}
	}
	return n, err
}

// Mark implements [storage.Storage].
func (s *Storage) Mark(ctx context.Context, name string, content []byte) error {
	if err := s.wait(ctx, len(content)); err != nil {
		return &storage.Error{Op: "mark", Name: name, Err: err}
	}
	return s.inner.Mark(ctx, name, content)
}

// ReadAt implements [storage.Storage].
func (s *Storage) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	for len(p) > most {
		if err := s.readAt(ctx, name, p[:most], off); err != nil {
			return err
		}
		p, off = p[most:], off+most
	}
	return s.readAt(ctx, name, p, off)
}

func (s *Storage) readAt(ctx context.Context, name string, p []byte, off int64) error {
	if err := s.wait(ctx, len(p)); err != nil {
		return &storage.Error{Op: "read", Name: name, Err: err}
	}
	return s.inner.ReadAt(ctx, name, p, off)
}

// List implements [storage.Storage].
func (s *Storage) List(ctx context.Context, folder string) ([]storage.Info, error) {
	return s.inner.List(ctx, folder)
}

// Stat implements [storage.Storage].
func (s *Storage) Stat(ctx context.Context, name string) (storage.Info, error) {
	return s.inner.Stat(ctx, name)
}

// Remove implements [storage.Storage].
func (s *Storage) Remove(ctx context.Context, name string) error { return s.inner.Remove(ctx, name) }

// Now implements [storage.Clock].
func (s *Storage) Now(ctx context.Context) (time.Time, error) {
	if clock, ok := s.inner.(storage.Clock); ok {
		return clock.Now(ctx)
	}
	return time.Time{}, errors.ErrUnsupported
}

// SetAnchor implements [storage.Anchored].
func (s *Storage) SetAnchor(name string) error {
	if anchored, ok := s.inner.(storage.Anchored); ok {
		return anchored.SetAnchor(name)
	}
	return errors.ErrUnsupported
}

// SetOptional implements [storage.Lenient].
func (s *Storage) SetOptional(folders ...string) {
	if lenient, ok := s.inner.(storage.Lenient); ok {
		lenient.SetOptional(folders...)
	}
}

// RemoveAside implements [storage.Sweeper].
func (s *Storage) RemoveAside(ctx context.Context, age time.Duration) ([]storage.Info, error) {
	if sweeper, ok := s.inner.(storage.Sweeper); ok {
		return sweeper.RemoveAside(ctx, age)
	}
	return nil, errors.ErrUnsupported
}

// Names implements [storage.Namer].
func (s *Storage) Names(ctx context.Context, folder string) ([]string, error) {
	if namer, ok := s.inner.(storage.Namer); ok {
		return namer.Names(ctx, folder)
	}
	return nil, errors.ErrUnsupported
}

// ListAfter implements [storage.AfterLister].
func (s *Storage) ListAfter(ctx context.Context, folder, after string) ([]storage.Info, error) {
	if lister, ok := s.inner.(storage.AfterLister); ok {
		return lister.ListAfter(ctx, folder, after)
	}
	return nil, errors.ErrUnsupported
}

// ReadFront implements [storage.FrontReader]. How long the object is shows once it was read: what that took is waited for then.
func (s *Storage) ReadFront(ctx context.Context, name string, p []byte) (storage.Info, error) {
	reader, ok := s.inner.(storage.FrontReader)
	if !ok {
		return storage.Info{}, errors.ErrUnsupported
	}
	info, err := reader.ReadFront(ctx, name, p)
	if err != nil {
		return storage.Info{}, err
	}
	if err := s.wait(ctx, int(min(int64(len(p)), info.Size))); err != nil {
		return storage.Info{}, &storage.Error{Op: "read", Name: name, Err: err}
	}
	return info, nil
}

// Drop implements [storage.Dropper].
func (s *Storage) Drop(ctx context.Context, name string) error {
	if dropper, ok := s.inner.(storage.Dropper); ok {
		return dropper.Drop(ctx, name)
	}
	return errors.ErrUnsupported
}

// Parallel implements [storage.Parallel].
func (s *Storage) Parallel() (writers, readers int) {
	if parallel, ok := s.inner.(storage.Parallel); ok {
		return parallel.Parallel()
	}
	return 0, 0
}

// Retained implements [storage.Retainer].
func (s *Storage) Retained(ctx context.Context) (storage.Retained, error) {
	if retainer, ok := s.inner.(storage.Retainer); ok {
		return retainer.Retained(ctx)
	}
	return storage.Retained{}, errors.ErrUnsupported
}
