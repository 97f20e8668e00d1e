package storagetest

import (
	"context"
	"errors"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/storage"
)

// A Faulty passes on what a storage can do beside the methods of storage.Storage, or
// returns errors.ErrUnsupported. None of it is counted, and none fails, but for Names, ListAfter, ReadFront and Drop.
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
} = (*Faulty)(nil)

// Now implements [storage.Clock].
func (f *Faulty) Now(ctx context.Context) (time.Time, error) {
	if clock, ok := f.inner.(storage.Clock); ok {
		return clock.Now(ctx)
	}
	return time.Time{}, errors.ErrUnsupported
}

// SetAnchor implements [storage.Anchored].
func (f *Faulty) SetAnchor(name string) error {
	if anchored, ok := f.inner.(storage.Anchored); ok {
		return anchored.SetAnchor(name)
	}
	return errors.ErrUnsupported
}

// SetOptional implements [storage.Lenient].
func (f *Faulty) SetOptional(folders ...string) {
	if lenient, ok := f.inner.(storage.Lenient); ok {
		lenient.SetOptional(folders...)
	}
}

// RemoveAside implements [storage.Sweeper].
func (f *Faulty) RemoveAside(ctx context.Context, age time.Duration) ([]storage.Info, error) {
	if sweeper, ok := f.inner.(storage.Sweeper); ok {
		return sweeper.RemoveAside(ctx, age)
	}
	return nil, errors.ErrUnsupported
}

// Names implements [storage.Namer] by List: what goes wrong with that goes wrong with it.
func (f *Faulty) Names(ctx context.Context, folder string) ([]string, error) {
	infos, err := f.List(ctx, folder)
	if err != nil {
		return nil, err
	}
	names := make([]string, len(infos))
	for i, info := range infos {
		names[i] = info.Name
	}
	return names, nil
}

// ListAfter implements [storage.AfterLister]. It is counted, and fails, as List does.
func (f *Faulty) ListAfter(ctx context.Context, folder, after string) ([]storage.Info, error) {
	lister, ok := f.inner.(storage.AfterLister)
	if !ok {
		return nil, errors.ErrUnsupported
	}
	infos, err := f.list(ctx, folder, func() ([]storage.Info, error) { return lister.ListAfter(ctx, folder, after) })
	// What lags behind may show what is before it.
	return slices.DeleteFunc(infos, func(info storage.Info) bool { return info.Name <= after }), err
}

// ReadFront implements [storage.FrontReader]. It is counted, and fails, as ReadAt does.
func (f *Faulty) ReadFront(ctx context.Context, name string, p []byte) (info storage.Info, err error) {
	reader, ok := f.inner.(storage.FrontReader)
	if !ok {
		return storage.Info{}, errors.ErrUnsupported
	}
	fault := f.begin(ReadAt, name)
	err = fault.around(ctx, func() (err error) {
		info, err = reader.ReadFront(ctx, name, p)
		if err == nil && fault.tears() {
			info.Size = min(info.Size, int64(fault.Keep))
			clear(p[min(info.Size, int64(len(p))):])
		}
		return err
	})
	if err != nil {
		return storage.Info{}, err
	}
	return info, nil
}

// Drop implements [storage.Dropper]. It is counted, and fails, as Remove does.
func (f *Faulty) Drop(ctx context.Context, name string) error {
	dropper, ok := f.inner.(storage.Dropper)
	if !ok {
		return errors.ErrUnsupported
	}
	return f.remove(ctx, name, dropper.Drop)
}

// Parallel implements [storage.Parallel].
func (f *Faulty) Parallel() (writers, readers int) {
	if parallel, ok := f.inner.(storage.Parallel); ok {
		return parallel.Parallel()
	}
	return 0, 0
}

// Retained implements [storage.Retainer].
func (f *Faulty) Retained(ctx context.Context) (storage.Retained, error) {
	if retainer, ok := f.inner.(storage.Retainer); ok {
		return retainer.Retained(ctx)
	}
	return storage.Retained{}, errors.ErrUnsupported
}
