package store

import (
	"context"
	"fmt"
	"io"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// RestoreOptions change how a stream is restored.
type RestoreOptions struct {
	// Progress, if set, is called now and then, by one goroutine at a time.
	Progress func(Progress)
}

// HoleWriter is a writer that takes a stretch of zeros without its bytes, as that of
// volume.Pipe does: so a sparse file takes no time for its holes.
type HoleWriter interface {
	io.Writer

	// WriteHole stands for the writing of n zeros.
	WriteHole(n int64) error
}

// Restore writes the stream of a volume to w, identical to the one that was
// captured. Everything is verified on the way: when it returns nil, w got all
// of the stream and nothing else. When it fails, w has got a part of it that is
// to be thrown away, so write to a place of no importance first. w is written to
// by another goroutine, until Restore returns; it must not keep or change what
// it is given. A HoleWriter gets long stretches of zeros as holes.
//
// It fails with ErrDamaged where the repository is harmed, naming members that can't be
// read or are not what was captured, as far as that is known, and with ErrMoved where
// the capture was moved or removed meanwhile.
func (r *Repository) Restore(ctx context.Context, v *Volume, w io.Writer, o RestoreOptions) (err error) {
	defer noteEnd(ctx, &err)
	if err := r.open(); err != nil {
		return err
	}
	if err := r.owns(v); err != nil {
		return err
	}
	kept := v.captured()
	at, err := r.restore(ctx, kept, w, o)
	if err != nil {
		err = r.blame(ctx, kept, at, err)
	}
	return r.orMoved(ctx, kept, err)
}

// restore gives, with an error, the number of the entry whose content could not be read,
// or -1.
func (r *Repository) restore(ctx context.Context, v *ledger.Volume, w io.Writer, o RestoreOptions) (at int, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	out := newOutlet(w, len(v.SHA256) > 0)
	defer out.abandon()
	m := newMeter(o.Progress)
	m.Expect(int64(v.Length))
	entries := r.reader.Entries(ctx, v.Volume)
	defer entries.Close()
	contents := r.reader.Contents(ctx, v.Volume)
	defer contents.Close()
	for ; ; at++ {
		e, err := entries.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return -1, err
		}
		if err := restoreEntry(ctx, e, contents, out, m); err != nil {
			return at, err
		}
	}
	if _, err := contents.Next(); err != io.EOF {
		return -1, weave.OrDamage(err, "contents that no member has")
	}
	m.Done()
	return -1, out.finish(v.Volume)
}

func restoreEntry(ctx context.Context, e weave.Entry, contents *fetch.Stream, out *outlet, m *vault.Meter) error {
	header, err := e.Header()
	if err != nil {
		return err
	}
	if err := out.pass(header, nil); err != nil {
		return err
	}
	left := e.Length
	for chunks := e.Chunks; chunks > 0; {
		b, err := contents.NextBlock(chunks)
		if err != nil {
			return weave.OrDamage(err, "a member's contents end too early")
		}
		n := uint64(len(b.Data)) * b.Times
		if n > left {
			return fmt.Errorf("%w: a member's contents are too long", ErrDamaged)
		}
		if err := out.passBlock(ctx, b); err != nil {
			return err
		}
		chunks -= uint64(len(b.Lengths)) * b.Times
		left -= n
		m.Tick(int64(n))
	}
	if left > 0 {
		return fmt.Errorf("%w: a member's contents are too short", ErrDamaged)
	}
	m.Add(int64(len(header))+int64(e.Length), e.Kind == tarstream.Entry)
	return nil
}
