package storage

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/kistarchive/kist/store/storage/files"
)

// List implements [Storage].
func (f *Folder) List(ctx context.Context, folder string) ([]Info, error) {
	o := f.operation("list", folder)
	if folder != "" {
		if err := CheckName(folder); err != nil {
			return nil, o.fail("", err)
		}
	}
	return f.collect(ctx, o, isObject, false)
}

func isObject(element string) bool { return badElement(element) == "" }

// Names implements [Namer].
func (f *Folder) Names(ctx context.Context, folder string) ([]string, error) {
	o := f.operation("list", folder)
	if folder != "" {
		if err := CheckName(folder); err != nil {
			return nil, o.fail("", err)
		}
	}
	if _, ok := f.files.(files.Namer); !ok {
		infos, err := f.List(ctx, folder)
		return namesOf(infos), err
	}
	found, err := f.collect(ctx, o, isObject, true)
	if err != nil {
		return nil, err
	}
	return namesOf(found), nil
}

func namesOf(infos []Info) []string {
	names := make([]string, len(infos))
	for i, info := range infos {
		names[i] = info.Name
	}
	return names
}

// Aside lists the files that were being written when their writers stopped, or that
// are being written now. List does not show them, and they do no harm but to free
// space. RemoveAside removes them.
func (f *Folder) Aside(ctx context.Context) ([]Info, error) {
	o := f.operation("list files written aside", "")
	_, names := f.files.(files.Namer)
	aside, err := f.collect(ctx, o, isAside, names)
	if !names || err != nil {
		return aside, err
	}
	known := aside[:0] // else each object's length and time would be asked for
	for _, info := range aside {
		o.name = info.Name
		info, err := await(ctx, func() (Info, error) { return patiently(ctx, func() (Info, error) { return f.stat(o) }) })
		switch {
		case err == nil:
			known = append(known, info)
		case !errors.Is(err, ErrNotFound): // else its writer is done with it
			return nil, o.fail("wait", err)
		}
	}
	return known, nil
}

// RemoveAside implements [Sweeper]: it removes those files of Aside that were last
// written to more than age ago by the share's own clock, and gives those that it
// removed. An age of a day is safe while other machines write. 5 seconds of slack are
// added.
func (f *Folder) RemoveAside(ctx context.Context, age time.Duration) ([]Info, error) {
	o := f.operation("remove files written aside", "")
	if age < 0 {
		return nil, o.fail("", fmt.Errorf("age %v: %w", age, fs.ErrInvalid))
	}
	now, err := f.Now(ctx)
	if err != nil {
		return nil, err
	}
	aside, err := f.Aside(ctx)
	if err != nil {
		return nil, err
	}
	var removed []Info
	for _, info := range aside {
		if now.Sub(info.Modified) <= age+slack {
			continue
		}
		o.name = info.Name
		_, err := await(ctx, func() (struct{}, error) { return struct{}{}, f.files.Remove(info.Name) })
		if errors.Is(err, fs.ErrNotExist) {
			continue // somebody else was faster
		}
		if err != nil {
			return removed, o.fail("remove", err)
		}
		removed = append(removed, info)
	}
	return removed, nil
}

// slack covers what the coarsest shares lose of a time: FAT keeps even seconds.
const slack = 5 * time.Second

// Now implements [Clock]. It makes an empty file and asks for its time; nothing is
// written to that, since then some clients would answer by their own clock.
func (f *Folder) Now(ctx context.Context) (time.Time, error) {
	o := f.operation("ask for the time", "")
	now, err := await(ctx, func() (time.Time, error) { return patiently(ctx, func() (time.Time, error) { return f.probe(o) }) })
	return now, o.fail("wait", err)
}

func (f *Folder) probe(o operation) (time.Time, error) {
	name := asideName()
	file, err := f.files.Create(name)
	if err != nil {
		return time.Time{}, o.fail("create", err)
	}
	defer f.files.Remove(name)
	if err := file.Close(); err != nil {
		return time.Time{}, o.fail("close", err)
	}
	info, err := f.files.Stat(name)
	if err != nil {
		return time.Time{}, o.fail("stat", err)
	}
	return info.ModTime(), nil
}

// staleTries is how often a list is begun that meets a stale handle: an NFS client tells so of what another process removed between
// two of its calls. That of a folder which was moved on the server stays stale.
const staleTries = 4

// collect gives the regular files below the folder o.name whose last element is wanted, or their names alone.
func (f *Folder) collect(ctx context.Context, o operation, wanted func(element string) bool, names bool) ([]Info, error) {
	infos, err := await(ctx, func() ([]Info, error) {
		return patiently(ctx, func() (found []Info, err error) {
			for try := 0; try == 0 || try < staleTries && errors.Is(err, syscall.ESTALE); try++ {
				w := &walk{Folder: f, operation: o, wanted: wanted, names: names}
				err = w.start(ctx)
				found = w.found
			}
			return found, err
		})
	})
	if err != nil {
		return nil, o.fail("wait", err)
	}
	slices.SortFunc(infos, func(a, b Info) int { return cmp.Compare(a.Name, b.Name) })
	return infos, nil
}

// walk is one walk through the folders.
type walk struct {
	*Folder
	operation
	wanted func(element string) bool
	names  bool // nothing else is asked for

	mu    sync.Mutex
	found []Info
}

// listers is how many of the folders in a folder are listed at a time: a share answers
// each only after some milliseconds, and slabs lie in 256 of them.
const listers = 32

// start walks from the folder that is asked for. A lower one may not have been made
// yet.
func (w *walk) start(ctx context.Context) error {
	if w.name == "" {
		return w.below(ctx, ".")
	}
	err := w.below(ctx, w.name)
	if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	// Which of its folders is it that is missing?
	top, _, lower := strings.Cut(w.name, "/")
	if err := w.findTop(w.operation, top); err != nil {
		return err
	}
	if lower {
		return nil
	}
	return err
}

func (w *walk) below(ctx context.Context, folder string) error {
	if err := ctx.Err(); err != nil {
		return w.fail("list", err)
	}
	var lower errgroup.Group
	lower.SetLimit(listers)
	var found []Info
	take := func(element string, mode fs.FileMode, info Info) {
		switch {
		case mode.IsRegular() && w.wanted(element):
			found = append(found, info)
		case mode.IsDir() && badElement(element) == "" && strings.Count(info.Name, "/") < maxElements-1:
			lower.Go(func() error { return w.below(ctx, info.Name) })
		}
	}
	if err := w.list(folder, take); err != nil {
		return errors.Join(w.fail("list", err), lower.Wait())
	}
	w.mu.Lock()
	w.found = append(w.found, found...)
	w.mu.Unlock()
	return lower.Wait()
}

// list calls take for all that is in a folder.
func (w *walk) list(folder string, take func(element string, mode fs.FileMode, info Info)) error {
	if w.names {
		entries, err := w.files.(files.Namer).Names(folder)
		for _, e := range entries {
			take(e.Name, e.Type, Info{Name: path.Join(folder, e.Name)})
		}
		return err
	}
	entries, err := w.files.List(folder)
	for _, e := range entries {
		take(e.Name(), e.Mode(), Info{Name: path.Join(folder, e.Name()), Size: e.Size(), Modified: e.ModTime()})
	}
	return err
}
