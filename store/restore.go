package store

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
)

// RestoreOptions change how a stream is restored.
type RestoreOptions struct {
	// Progress, if set, is called now and then, by one goroutine at a time.
	Progress func(Progress)
}

// Restore writes the stream of a volume to w, identical to the one that was
// captured. Everything is verified on the way: when it returns nil, w got all
// of the stream and nothing else. When it fails, w has got a part of it that is
// to be thrown away, so write to a place of no importance first.
//
// It fails with ErrDamaged where the repository is harmed.
func (r *Repository) Restore(ctx context.Context, v *Volume, w io.Writer, o RestoreOptions) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	out := newHashing(w)
	m := newMeter(o.Progress)
	m.now.Total = int64(v.Bytes)
	entries := r.readEntries(ctx, v.record)
	defer entries.close()
	contents := r.slabs.Stream(ctx, orEmpty(v.record.Contents))
	defer contents.Close()
	for {
		e, err := entries.next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		if err := restoreEntry(e, contents, out, m); err != nil {
			return err
		}
	}
	if _, err := contents.Next(); err != io.EOF {
		return orDamage(err, "contents that no member has")
	}
	m.done()
	return out.check(v.record)
}

func restoreEntry(e entry, contents *fetch.Stream, w io.Writer, m *meter) error {
	header, err := e.header()
	if err != nil {
		return err
	}
	if _, err := w.Write(header); err != nil {
		return err
	}
	left := e.Length
	for range e.Chunks {
		c, err := contents.Next()
		if err != nil {
			return orDamage(err, "a member's contents end too early")
		}
		if uint64(len(c.Data)) > left {
			return fmt.Errorf("%w: a member's contents are too long", ErrDamaged)
		}
		if _, err := w.Write(c.Data); err != nil {
			return err
		}
		left -= uint64(len(c.Data))
		m.tick(int64(len(c.Data)))
	}
	if left > 0 {
		return fmt.Errorf("%w: a member's contents are too short", ErrDamaged)
	}
	m.add(int64(len(header))+int64(e.Length), e.Kind != 0)
	return nil
}

// orDamage gives err, or damage with the given text where a stream just ended or
// went on.
func orDamage(err error, text string) error {
	if err == nil || errors.Is(err, io.EOF) {
		return fmt.Errorf("%w: %s", ErrDamaged, text)
	}
	return err
}

// hashing passes a stream on and compares it with the record at its end.
type hashing struct {
	w      io.Writer
	sum    hash.Hash
	length uint64
}

func newHashing(w io.Writer) *hashing { return &hashing{w: w, sum: sha256.New()} }

func (h *hashing) Write(p []byte) (int, error) {
	h.sum.Write(p)
	h.length += uint64(len(p))
	return h.w.Write(p)
}

func (h *hashing) check(v *format.Volume) error {
	if h.length != v.Length || len(v.SHA256) > 0 && string(h.sum.Sum(nil)) != string(v.SHA256) {
		return fmt.Errorf("%w: the stream that was rebuilt is not the one that was captured", ErrDamaged)
	}
	return nil
}
