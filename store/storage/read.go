package storage

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"slices"
	"sync"

	"github.com/kistarchive/kist/store/storage/files"
)

// ReadAt implements [Storage]. The files read last, up to 8, stay open between calls.
func (f *Folder) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	o := f.operation("read", name)
	if err := checkRange(name, p, off); err != nil {
		return o.fail("", err)
	}
	for {
		n := min(len(p), blockSize)
		if err := f.readBlock(ctx, o, p[:n], off); err != nil {
			return o.fail("wait", err)
		}
		p, off = p[n:], off+int64(n)
		if len(p) == 0 {
			return nil
		}
	}
}

// checkRange refuses what no object could ever give.
func checkRange(name string, p []byte, off int64) error {
	if err := CheckName(name); err != nil {
		return err
	}
	if off < 0 || off > math.MaxInt64-int64(len(p)) {
		return fmt.Errorf("%d bytes from byte %d on: %w", len(p), off, fs.ErrInvalid)
	}
	return nil
}

// readBlock reads by way of a buffer of its own, since a read that is left behind
// would write to p later. Such a buffer is not used again.
func (f *Folder) readBlock(ctx context.Context, o operation, p []byte, off int64) error {
	block := new([]byte)
	if len(p) <= smallBlock {
		*block = make([]byte, len(p))
	} else {
		block = f.blocks.Get().(*[]byte)
	}
	_, err := await(ctx, func() (struct{}, error) {
		return struct{}{}, patientlyDo(ctx, func() error { return f.readFile(o, (*block)[:len(p)], off) })
	})
	if err != nil {
		return err
	}
	copy(p, *block)
	if len(p) > smallBlock {
		f.blocks.Put(block)
	}
	return nil
}

func (f *Folder) readFile(o operation, p []byte, off int64) error {
	h, err := f.handles.acquire(o.name)
	if err != nil {
		return f.missing(o, "open", err)
	}
	defer f.handles.release(h)
	err = readFull(h.file, p, off)
	if err != nil {
		f.handles.drop(o.name) // perhaps stale: open it anew next time
	}
	return o.fail("read", err)
}

func readFull(file files.ReadFile, p []byte, off int64) error {
	if len(p) == 0 {
		info, err := file.Stat()
		if err != nil {
			return err
		}
		return shorter(info.Size(), off)
	}
	n, err := file.ReadAt(p, off)
	switch {
	case n == len(p):
		return nil
	case errors.Is(err, io.EOF):
		return shorter(off+int64(n), off+int64(len(p)))
	}
	return err
}

// shorter returns io.ErrUnexpectedEOF if an object of size bytes ends before end.
func shorter(size, end int64) error {
	if size >= end {
		return nil
	}
	return fmt.Errorf("%w: the object ends before byte %d", io.ErrUnexpectedEOF, end)
}

// maxHandles is how many files stay open: a few that are read by turns, and too few
// to matter to any system's limit.
const maxHandles = 32

// handles keeps the files open that were read last.
type handles struct {
	open func(name string) (files.ReadFile, error)
	keep int

	mu   sync.Mutex
	kept []*handle // the one used last at the end
}

type handle struct {
	name string
	file files.ReadFile
	uses int  // by calls under way
	kept bool // in handles.kept
}

// acquire gives an open file, for release after use.
func (hs *handles) acquire(name string) (*handle, error) {
	if h := hs.reuse(name); h != nil {
		return h, nil
	}
	file, err := hs.open(name)
	if err != nil {
		return nil, err
	}
	h := &handle{name: name, file: file, uses: 1, kept: true}
	hs.change(func() (unused []*handle) {
		hs.kept = append(hs.kept, h)
		for len(hs.kept) > hs.keep {
			unused = append(unused, hs.dismiss(0)...)
		}
		return unused
	})
	return h, nil
}

func (hs *handles) reuse(name string) *handle {
	hs.mu.Lock()
	defer hs.mu.Unlock()
	i := slices.IndexFunc(hs.kept, func(h *handle) bool { return h.name == name })
	if i < 0 {
		return nil
	}
	h := hs.kept[i]
	hs.kept = append(slices.Delete(hs.kept, i, i+1), h)
	h.uses++
	return h
}

func (hs *handles) release(h *handle) {
	hs.change(func() []*handle {
		h.uses--
		return h.unused()
	})
}

// drop closes a file after its last use.
func (hs *handles) drop(name string) {
	hs.change(func() (unused []*handle) {
		for i := len(hs.kept) - 1; i >= 0; i-- {
			if hs.kept[i].name == name {
				unused = append(unused, hs.dismiss(i)...)
			}
		}
		return unused
	})
}

// closeAll closes all files after their last use, and keeps none from now on.
func (hs *handles) closeAll() {
	hs.change(func() (unused []*handle) {
		hs.keep = 0
		for len(hs.kept) > 0 {
			unused = append(unused, hs.dismiss(0)...)
		}
		return unused
	})
}

// change does something with hs.mu held, and closes what nobody uses any more afterwards: over a
// share that takes a while. The errors are ignored: nothing was written.
func (hs *handles) change(do func() (unused []*handle)) {
	hs.mu.Lock()
	unused := do()
	hs.mu.Unlock()
	for _, h := range unused {
		h.file.Close()
	}
}

// dismiss needs hs.mu to be held. It gives the file if nobody uses it.
func (hs *handles) dismiss(i int) []*handle {
	h := hs.kept[i]
	hs.kept = slices.Delete(hs.kept, i, i+1)
	h.kept = false
	return h.unused()
}

// unused gives the file if nobody uses it and it is not kept.
func (h *handle) unused() []*handle {
	if h.kept || h.uses > 0 {
		return nil
	}
	return []*handle{h}
}
