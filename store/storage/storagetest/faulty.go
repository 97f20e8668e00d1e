package storagetest

import (
	"cmp"
	"context"
	"io"

	"github.com/kistarchive/kist/store/storage"
)

// Faulty passes calls on to a storage, counts them, and makes chosen ones go wrong. It
// may be used by any number of goroutines.
type Faulty struct {
	inner storage.Storage
	script
	lag lag
}

// NewFaulty wraps a storage. Without Inject and Lag it only counts.
func NewFaulty(inner storage.Storage) *Faulty { return &Faulty{inner: inner} }

// Lag has List show which objects there were so many calls ago, of those that came and
// went through this [Faulty] since Lag was called: listings that a client keeps. 0
// ends that.
func (f *Faulty) Lag(calls int) { f.lag.set(calls) }

// Put implements [storage.Storage].
func (f *Faulty) Put(ctx context.Context, name string, content io.Reader) error {
	fault := f.begin(Put, name)
	return fault.around(ctx, func() error {
		if !fault.tears() {
			return f.lag.came(f.Calls(Any), name, f.inner.Put(ctx, name, content))
		}
		err := f.lag.came(f.Calls(Any), name, f.inner.Put(ctx, name, io.LimitReader(content, int64(fault.Keep))))
		_, rest := io.Copy(io.Discard, content) // such a medium takes all that it is given
		return cmp.Or(err, rest)
	})
}

// Mark implements [storage.Storage].
func (f *Faulty) Mark(ctx context.Context, name string, content []byte) error {
	fault := f.begin(Mark, name)
	return fault.around(ctx, func() error {
		if fault.tears() {
			content = content[:min(fault.Keep, len(content))]
		}
		return f.lag.came(f.Calls(Any), name, f.inner.Mark(ctx, name, content))
	})
}

// ReadAt implements [storage.Storage].
func (f *Faulty) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	fault := f.begin(ReadAt, name)
	return fault.around(ctx, func() error {
		err := f.inner.ReadAt(ctx, name, p, off)
		if err == nil && fault.tears() && off+int64(len(p)) > int64(fault.Keep) {
			clear(p[max(0, min(int64(fault.Keep)-off, int64(len(p)))):])
			return &storage.Error{Op: "read", Name: name, Err: io.ErrUnexpectedEOF}
		}
		return err
	})
}

// List implements [storage.Storage].
func (f *Faulty) List(ctx context.Context, folder string) ([]storage.Info, error) {
	return f.list(ctx, folder, func() ([]storage.Info, error) { return f.inner.List(ctx, folder) })
}

func (f *Faulty) list(ctx context.Context, folder string, list func() ([]storage.Info, error)) ([]storage.Info, error) {
	fault := f.begin(List, folder)
	var infos []storage.Info
	err := fault.around(ctx, func() (err error) {
		infos, err = list()
		infos = f.lag.view(f.Calls(Any), folder, infos)
		if fault.tears() {
			infos = infos[:min(fault.Keep, len(infos))]
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return infos, nil
}

// Stat implements [storage.Storage].
func (f *Faulty) Stat(ctx context.Context, name string) (storage.Info, error) {
	var info storage.Info
	err := f.begin(Stat, name).around(ctx, func() (err error) {
		info, err = f.inner.Stat(ctx, name)
		return err
	})
	if err != nil {
		return storage.Info{}, err
	}
	return info, nil
}

// Remove implements [storage.Storage].
func (f *Faulty) Remove(ctx context.Context, name string) error {
	return f.remove(ctx, name, f.inner.Remove)
}

func (f *Faulty) remove(ctx context.Context, name string, remove func(context.Context, string) error) error {
	return f.begin(Remove, name).around(ctx, func() error {
		if !f.lag.on() {
			return remove(ctx, name)
		}
		info, _ := f.inner.Stat(ctx, name) // absent: Remove says so
		return f.lag.went(f.Calls(Any), info, remove(ctx, name))
	})
}
