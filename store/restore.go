package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"

	"github.com/kistarchive/kist/chunk/tarstream"
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
	defer out.close()
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

func restoreEntry(e entry, contents *fetch.Stream, out *hashing, m *meter) error {
	header, err := e.header()
	if err != nil {
		return err
	}
	if err := out.pass(header); err != nil {
		return err
	}
	left := e.length
	for range e.chunks {
		c, err := contents.Next()
		if err != nil {
			return orDamage(err, "a member's contents end too early")
		}
		if uint64(len(c.Data)) > left {
			return fmt.Errorf("%w: a member's contents are too long", ErrDamaged)
		}
		if err := out.pass(c.Data); err != nil {
			return err
		}
		left -= uint64(len(c.Data))
		m.tick(int64(len(c.Data)))
	}
	if left > 0 {
		return fmt.Errorf("%w: a member's contents are too short", ErrDamaged)
	}
	m.add(int64(len(header))+int64(e.length), e.kind == tarstream.Entry)
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

// hashing passes a stream on, hashes it beside whoever writes, and compares it
// with the record at its end.
type hashing struct {
	w      io.Writer
	length uint64
	todo   chan []byte
	sum    chan []byte // gets the SHA-256 when todo is closed
	ended  bool
}

func newHashing(w io.Writer) *hashing {
	h := &hashing{w: w, todo: make(chan []byte, 64), sum: make(chan []byte, 1)}
	go func() {
		sum := sha256.New()
		for p := range h.todo {
			sum.Write(p)
		}
		h.sum <- sum.Sum(nil)
	}()
	return h
}

// pass writes p, which nobody may change any more.
func (h *hashing) pass(p []byte) error {
	h.length += uint64(len(p))
	h.todo <- p
	_, err := h.w.Write(p)
	return err
}

func (h *hashing) close() {
	if !h.ended {
		h.ended = true
		close(h.todo)
	}
}

func (h *hashing) check(v *format.Volume) error {
	h.close()
	sum := <-h.sum
	if h.length != v.Length || len(v.SHA256) > 0 && !bytes.Equal(sum, v.SHA256) {
		return fmt.Errorf("%w: the stream that was rebuilt is not the one that was captured", ErrDamaged)
	}
	return nil
}
