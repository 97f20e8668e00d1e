package volume

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
)

// holeSize is the length, and alignment, from which zeros become a hole.
const holeSize = 64 << 10

// file has a regular file written, and counted once it is.
func (e *extractor) file(ctx context.Context, h *tar.Header, p place, content *memberReader) (done bool, err error) {
	if h.Size <= loadLimit && !isSparse(h) {
		return false, e.hand(h, p, content)
	}
	return false, e.handLarge(ctx, h, p, content)
}

// completeFile gives a file that was written its state and closes it, unless there was an error. A file
// that can't be completed is removed.
func (f *finisher) completeFile(p place, out *file, s *traits, sync bool, err error) error {
	if err == nil {
		if !f.plain(s) || !out.has(s.uid, s.gid, s.perm) { // to look costs less than to change
			f.own(out, s, p.clean)
			f.dress(out, s, p.clean)
		}
		if sync {
			err = out.flush()
		}
	}
	if err = errors.Join(err, out.close()); err != nil {
		return errors.Join(err, ignoreGone(p.d.remove(p.name)))
	}
	f.times(p.d, p.name, s, p.clean) // after close, which may still write on a network share
	return nil
}

func ignoreGone(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// unexpected makes an early end an unexpected one.
func unexpected(err error) error {
	if err == io.EOF {
		return io.ErrUnexpectedEOF
	}
	return err
}

// writeBlocks writes p at off, which is a multiple of holeSize, and leaves out blocks of zeros unless
// they are wanted; hole says whether the last block was left out.
func writeBlocks(f *file, p []byte, off int64, zeros bool) (hole bool, err error) {
	if zeros {
		return false, f.writeAt(p, off)
	}
	for start := 0; start < len(p); {
		end := min(start+holeSize, len(p))
		hole = isHole(p[start:end])
		for !hole && end < len(p) {
			next := min(end+holeSize, len(p))
			if isHole(p[end:next]) {
				break
			}
			end = next
		}
		if !hole {
			if err := f.writeAt(p[start:end], off+int64(start)); err != nil {
				return false, err
			}
		}
		start = end
	}
	return hole, nil
}

// isHole reports whether p is a whole block of zeros.
func isHole(p []byte) bool {
	return len(p) == holeSize && p[0] == 0 && bytes.Equal(p[1:], p[:len(p)-1])
}

// finishFolders gives folders what would have been in the way of their members, deepest first.
func (e *extractor) finishFolders(ctx context.Context) error {
	paths := make([]string, 0, len(e.folders))
	for path, f := range e.folders {
		if f.made && path != "." {
			paths = append(paths, path)
		}
	}
	slices.Sort(paths)
	slices.Reverse(paths)
	if f, ok := e.folders["."]; ok && f.made {
		if !e.into.held {
			paths = append(paths, ".")
		} else {
			e.into.finish = func() error { return e.finishFolder(".", f.state) }
		}
	}
	for _, path := range paths {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := e.finishFolder(path, e.folders[path].state); err != nil {
			return fmt.Errorf("restoring member %q: %w", path, err)
		}
	}
	return nil
}

func (e *extractor) finishFolder(path string, s *traits) error {
	d, err := e.at.at(path, nil)
	if err != nil {
		return err
	}
	e.own(d, s, path)
	e.times(d, ".", s, path) // before the mode, which may forbid it
	e.dress(d, s, path)
	e.noteLosses()
	if e.opts.Sync {
		return d.flush()
	}
	return nil
}
