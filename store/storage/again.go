package storage

import (
	"bytes"
	"context"
	"errors"
	"io"
	"syscall"
	"time"

	"github.com/kistarchive/kist/store/storage/files"
)

// A CIFS client lets each call wait ten seconds for a server that is away, and says then that its host is down; NFS waits. So that
// a server that starts anew costs nobody a capture, what can be done again is done again until it answers. What was written and
// not flushed can't: after a flush that failed nobody knows which of it arrived. So what is written is kept until it is flushed,
// and all of it is written again, to another file.

const (
	// patience is for how long a call is done again that says that the host is down.
	patience = 2 * time.Minute

	// pause is between two tries, where a call fails at once.
	pause = time.Second

	// maxKept is how much of a content is kept to be written again, in bytes: more than a slab has.
	maxKept = 48 << 20
)

// hostDown tells whether an error says that the server is away, and may come back.
func hostDown(err error) bool { return errors.Is(err, syscall.EHOSTDOWN) }

// tries counts the time of calls that are done again.
type tries struct{ began time.Time }

// another tells whether a call is to be done again that gave err, after a pause.
func (t *tries) another(ctx context.Context, err error) bool {
	if !hostDown(err) {
		return false
	}
	if t.began.IsZero() {
		t.began = time.Now()
	}
	if time.Since(t.began) > patience {
		return false
	}
	timer := time.NewTimer(pause)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// patiently does a call that changes nothing, or that may be done twice.
func patiently[T any](ctx context.Context, call func() (T, error)) (T, error) {
	for t := new(tries); ; {
		value, err := call()
		if !t.another(ctx, err) {
			return value, err
		}
	}
}

// patientlyDo is patiently for a call that gives nothing.
func patientlyDo(ctx context.Context, call func() error) error {
	_, err := patiently(ctx, func() (struct{}, error) { return struct{}{}, call() })
	return err
}

// keeping keeps what is read of a content, as long as that is not too much.
type keeping struct {
	from   io.Reader
	folder *Folder
	blocks [][]byte
	last   int   // bytes in the last block
	err    error // how from ended
	lost   bool  // it was too much
}

// keep gives the content, and how to give it again; nil where a medium never says that its host is down.
func (f *Folder) keep(content io.Reader) (io.Reader, *keeping) {
	f.forsaking.Do(func() {
		g, ok := f.files.(files.Forsaking)
		f.forsakes = ok && g.Forsakes()
	})
	if !f.forsakes {
		return content, nil
	}
	k := &keeping{from: content, folder: f}
	return k, k
}

// Read implements [io.Reader].
func (k *keeping) Read(p []byte) (int, error) {
	n, err := k.from.Read(p)
	k.add(p[:n])
	if err != nil {
		k.err = err
	}
	return n, err
}

func (k *keeping) add(p []byte) {
	for len(p) > 0 && !k.lost {
		if len(k.blocks) == 0 || k.last == blockSize {
			if len(k.blocks) == maxKept/blockSize {
				k.lost = true
				return
			}
			k.blocks, k.last = append(k.blocks, *k.folder.blocks.Get().(*[]byte)), 0
		}
		n := copy(k.blocks[len(k.blocks)-1][k.last:], p)
		p, k.last = p[n:], k.last+n
	}
}

// complete reads the rest, and tells whether all of the content is kept.
func (k *keeping) complete() bool {
	if k == nil {
		return false
	}
	for p := make([]byte, smallBlock); k.err == nil && !k.lost; {
		k.Read(p)
	}
	return k.err == io.EOF && !k.lost
}

// again gives the content from its start.
func (k *keeping) again() io.Reader {
	parts := make([]io.Reader, len(k.blocks))
	for i, b := range k.blocks {
		if i == len(k.blocks)-1 {
			b = b[:k.last]
		}
		parts[i] = bytes.NewReader(b)
	}
	return io.MultiReader(parts...)
}

// release gives the memory back.
func (k *keeping) release() {
	if k == nil {
		return
	}
	for _, b := range k.blocks {
		k.folder.blocks.Put(&b)
	}
	k.blocks = nil
}
