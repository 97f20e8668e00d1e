package storage

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strings"

	"github.com/kistarchive/kist/store/storage/files"
)

const (
	// blockSize is the length of the pieces, in bytes, in which contents are written and
	// read; between two of them ctx is looked at.
	blockSize = 1 << 20

	// smallBlock, in bytes, is what small objects get a buffer of, made for them.
	smallBlock = 64 << 10
)

// Put implements [Storage]. The object is written aside, in its own folder under a
// name that no object can have, flushed, and renamed; it never replaces anything.
func (f *Folder) Put(ctx context.Context, name string, content io.Reader) error {
	o := f.operation("put", name)
	if err := CheckName(name); err != nil {
		return o.fail("", err)
	}
	if err := ctx.Err(); err != nil {
		return o.fail("", err)
	}
	r, w := io.Pipe()
	stop := context.AfterFunc(ctx, func() { w.CloseWithError(ctx.Err()) })
	defer stop()
	done := start(func() (struct{}, error) {
		err := f.put(ctx, o, r)
		r.CloseWithError(io.ErrClosedPipe) // release feed, whatever happened
		return struct{}{}, err
	})
	feed(w, content)
	_, err := wait(ctx, done)
	return o.fail("wait", err)
}

// feed hands content over to the goroutine that writes, in the caller's goroutine:
// the one that writes may be left behind, and must not touch content then.
func feed(w *io.PipeWriter, content io.Reader) {
	defer w.CloseWithError(io.ErrUnexpectedEOF) // if content panics: no clean end
	_, err := io.Copy(w, content)
	w.CloseWithError(err)
}

func (f *Folder) put(ctx context.Context, o operation, content io.Reader) error {
	folder := path.Dir(o.name)
	if err := patientlyDo(ctx, func() error { return f.settle(o, folder) }); err != nil {
		return err
	}
	aside, size, err := f.writeUntilFlushed(ctx, o, folder, content)
	if err == nil {
		err = f.moveUntilDone(ctx, o, aside, size)
	}
	if err != nil {
		f.files.Remove(aside) // if that fails as well, RemoveAside finds it
		return err
	}
	return o.fail("sync folder", patientlyDo(ctx, func() error { return f.files.SyncFolder(folder) }))
}

// writeUntilFlushed writes a file aside, and all of it again to another one where the server was away before it was flushed. It
// gives the name and length of the last one.
func (f *Folder) writeUntilFlushed(ctx context.Context, o operation, folder string, content io.Reader) (aside string, size int64, err error) {
	content, kept := f.keep(content)
	defer kept.release()
	for t := new(tries); ; {
		aside = path.Join(folder, asideName())
		size, err = f.writeAside(ctx, o, aside, content)
		if !hostDown(err) || !kept.complete() || !t.another(ctx, err) {
			return aside, size, err
		}
		content = kept.again()
		f.files.Remove(aside)
	}
}

// moveUntilDone moves a file into place. What fails may have been done, and is not done twice.
func (f *Folder) moveUntilDone(ctx context.Context, o operation, aside string, size int64) error {
	tried := false
	return patientlyDo(ctx, func() error {
		if tried && f.moved(aside, o.name, size) {
			return nil
		}
		tried = true
		return f.move(ctx, o, aside, size)
	})
}

// settle sees that a folder is there and will stay: it makes what is missing below
// its top folder, and flushes the folders above it. It does so once for each folder
// even if that is there already, since its maker may not have flushed it yet. Of a top
// folder it asks nothing: withTop finds it missing.
func (f *Folder) settle(o operation, folder string) error {
	if folder == "." || f.isSettled(folder) {
		return nil
	}
	elements := strings.Split(folder, "/")
	at := elements[0]
	for _, element := range elements[1:] {
		above := at
		at = path.Join(at, element)
		if err := f.withTop(o, at, func() error { return f.files.Mkdir(at) }); err != nil && !errors.Is(err, fs.ErrExist) {
			return o.fail("make folder", err)
		}
		if err := f.files.SyncFolder(above); err != nil {
			return o.fail("sync folder", err)
		}
	}
	f.setSettled(folder, true)
	return nil
}

func (f *Folder) isSettled(folder string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.settled[folder]
}

func (f *Folder) setSettled(folder string, is bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.settled[folder] = is
}

// writeAside writes a file from content and flushes it. The first error counts: on
// many file systems a flush after a failed write succeeds.
func (f *Folder) writeAside(ctx context.Context, o operation, aside string, content io.Reader) (int64, error) {
	file, err := f.create(o, aside)
	if err != nil {
		return 0, err
	}
	size, err := f.copyBlocks(ctx, o, file, content)
	if err == nil {
		err = o.fail("sync", file.Sync())
	}
	if closing := file.Close(); err == nil {
		err = o.fail("close", closing)
	}
	return size, err
}

// create makes a file exclusively. ErrGone: its folder, once settled, has vanished.
func (f *Folder) create(o operation, name string) (file files.WriteFile, err error) {
	err = f.withTop(o, name, func() (err error) {
		file, err = f.files.Create(name)
		return err
	})
	if errors.Is(err, fs.ErrNotExist) {
		f.setSettled(path.Dir(name), false)
		err = fmt.Errorf("folder %s: %w", path.Dir(name), ErrGone)
	}
	return file, o.fail("create", err)
}

func (f *Folder) copyBlocks(ctx context.Context, o operation, to io.Writer, from io.Reader) (int64, error) {
	block := make([]byte, smallBlock) // enough for most objects
	n, end := fill(block, from)
	if end == nil {
		large := f.blocks.Get().(*[]byte)
		defer f.blocks.Put(large)
		copy(*large, block)
		block = *large
		var more int
		more, end = fill(block[n:], from)
		n += more
	}
	for size := int64(0); ; n, end = fill(block, from) {
		if err := ctx.Err(); err != nil {
			return size, o.fail("write", err)
		}
		if end != nil && end != io.EOF {
			return size, o.wrap("read the content", end)
		}
		written, err := to.Write(block[:n])
		size += int64(written)
		switch {
		case err != nil:
			return size, o.fail("write", err)
		case written < n:
			return size, o.fail("write", io.ErrShortWrite)
		case end == io.EOF:
			return size, nil
		}
	}
}

// fill reads until the block is full or from ends. Unlike io.ReadFull it leaves
// from's own io.ErrUnexpectedEOF, which is a failure, distinct from an end.
func fill(block []byte, from io.Reader) (n int, err error) {
	for n < len(block) && err == nil {
		var more int
		more, err = from.Read(block[n:])
		n += more
	}
	return n, err
}

// move renames a flushed file into place, if that is free and the repository is
// still where it was.
func (f *Folder) move(ctx context.Context, o operation, aside string, size int64) error {
	if o.name != f.anchored() {
		if err := f.findAnchor(o); err != nil {
			return err
		}
	}
	_, err := f.files.Stat(o.name)
	if err == nil {
		return o.fail("", ErrExists)
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return o.fail("stat", err)
	}
	if err := ctx.Err(); err != nil {
		return o.fail("rename", err)
	}
	if err := f.files.Rename(aside, o.name); err != nil && !f.moved(aside, o.name, size) {
		return o.fail("rename", err)
	}
	return nil
}

// moved reports whether a rename was done although it returned an error: on shares
// it is the answer that gets lost. If it was, but the share lost a part of the file,
// nothing may stay under the object's name: moved removes it.
func (f *Folder) moved(from, to string, size int64) bool {
	if _, err := f.files.Stat(from); !errors.Is(err, fs.ErrNotExist) {
		return false
	}
	info, err := f.files.Stat(to)
	if err != nil || !info.Mode().IsRegular() {
		return false
	}
	if info.Size() != size {
		f.files.Remove(to) // if that fails as well, readers find it cut short
		return false
	}
	return true
}

// Mark implements [Storage], by O_CREATE and O_EXCL: they were exact on every share
// tried, which neither locks nor links nor renames are.
func (f *Folder) Mark(ctx context.Context, name string, content []byte) error {
	o := f.operation("mark", name)
	if err := CheckName(name); err != nil {
		return o.fail("", err)
	}
	content = append([]byte(nil), content...) // the call may be left behind
	_, err := await(ctx, func() (struct{}, error) { return struct{}{}, f.mark(o, content) })
	return o.fail("wait", err)
}

// mark leaves the file when something fails after its creation: it was exclusive.
func (f *Folder) mark(o operation, content []byte) error {
	folder := path.Dir(o.name)
	if err := f.settle(o, folder); err != nil {
		return err
	}
	file, err := f.create(o, o.name)
	if errors.Is(err, fs.ErrExist) {
		return o.wrap("", ErrExists)
	}
	if err != nil {
		return err
	}
	n, err := file.Write(content)
	if err == nil && n < len(content) {
		err = io.ErrShortWrite
	}
	err = o.fail("write", err)
	if err == nil {
		err = o.fail("sync", file.Sync())
	}
	if closing := file.Close(); err == nil {
		err = o.fail("close", closing)
	}
	if err != nil {
		return err
	}
	return o.fail("sync folder", f.files.SyncFolder(folder))
}

// Files that are written aside have an underscore, which no object's name has.
const asidePrefix, asideSuffix = "_", ".part"

func asideName() string { return asidePrefix + strings.ToLower(rand.Text()) + asideSuffix }

func isAside(element string) bool {
	return strings.HasPrefix(element, asidePrefix) && strings.HasSuffix(element, asideSuffix)
}
