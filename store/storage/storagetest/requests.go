package storagetest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sort"
	"sync"

	"github.com/kistarchive/kist/store/storage"
)

// Page is how many names an object store gives for a request, by the interface of most.
const Page = 1000

// Requests passes calls on to another storage, as an object store would take them, and counts the requests: one for each
// call, for a listing one for each [Page] of names, and two for Remove, which looks first. It is a [storage.AfterLister], a
// [storage.FrontReader] and a [storage.Dropper], and has no other power.
// Its methods may be called at the same time.
type Requests struct {
	inner storage.Storage

	mu  sync.Mutex
	all []string
}

var _ interface {
	storage.Storage
	storage.AfterLister
	storage.FrontReader
	storage.Dropper
} = (*Requests)(nil)

// NewRequests wraps a storage.
func NewRequests(inner storage.Storage) *Requests { return &Requests{inner: inner} }

// Take gives what was asked for since the last Take, a line for each request.
func (r *Requests) Take() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	all := r.all
	r.all = nil
	return all
}

func (r *Requests) note(what, name string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.all = append(r.all, what+" "+name)
}

// noteList notes what a listing of so many names takes.
func (r *Requests) noteList(folder string, names int) {
	r.note("list", folder)
	for page := Page; page < names; page += Page {
		r.note("list", fmt.Sprintf("%s, from %d on", folder, page))
	}
}

// Put implements [storage.Storage].
func (r *Requests) Put(ctx context.Context, name string, content io.Reader) error {
	r.note("put", name)
	return r.inner.Put(ctx, name, content)
}

// Mark implements [storage.Storage].
func (r *Requests) Mark(ctx context.Context, name string, content []byte) error {
	r.note("mark", name)
	return r.inner.Mark(ctx, name, content)
}

// ReadAt implements [storage.Storage].
func (r *Requests) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	r.note("read", name)
	return r.inner.ReadAt(ctx, name, p, off)
}

// List implements [storage.Storage].
func (r *Requests) List(ctx context.Context, folder string) ([]storage.Info, error) {
	infos, err := r.inner.List(ctx, folder)
	r.noteList(folder, len(infos))
	return infos, err
}

// ListAfter implements [storage.AfterLister].
func (r *Requests) ListAfter(ctx context.Context, folder, after string) ([]storage.Info, error) {
	if after != "" {
		if err := storage.CheckName(after); err != nil {
			return nil, &storage.Error{Op: "list", Name: after, Err: err}
		}
	}
	infos, err := r.inner.List(ctx, folder)
	infos = slices.Clone(infos[sort.Search(len(infos), func(i int) bool { return infos[i].Name > after }):])
	r.noteList(folder, len(infos))
	return infos, err
}

// Stat implements [storage.Storage].
func (r *Requests) Stat(ctx context.Context, name string) (storage.Info, error) {
	r.note("stat", name)
	return r.inner.Stat(ctx, name)
}

// ReadFront implements [storage.FrontReader].
func (r *Requests) ReadFront(ctx context.Context, name string, p []byte) (storage.Info, error) {
	r.note("read", name)
	info, err := r.inner.Stat(ctx, name)
	if err == nil {
		err = r.inner.ReadAt(ctx, name, p[:min(int64(len(p)), info.Size)], 0)
	}
	return info, err
}

// Remove implements [storage.Storage].
func (r *Requests) Remove(ctx context.Context, name string) error {
	r.note("stat", name)
	r.note("remove", name)
	return r.inner.Remove(ctx, name)
}

// Drop implements [storage.Dropper].
func (r *Requests) Drop(ctx context.Context, name string) error {
	r.note("remove", name)
	if err := r.inner.Remove(ctx, name); !errors.Is(err, storage.ErrNotFound) {
		return err
	}
	return nil
}
