package give

import (
	"context"
	"fmt"
	"io"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// Restore writes the stream of a volume. Where that fails, the error names members that
// can't be read or are not what was captured, as far as that is known.
func (r *Giver) Restore(ctx context.Context, v *ledger.Volume, w io.Writer, m *vault.Meter) error {
	at, err := r.write(ctx, v, w, m)
	if err != nil {
		err = r.blame(ctx, v, at, err)
	}
	return r.OrMoved(ctx, v, err)
}

// write gives, with an error, the number of the entry whose content could not be read,
// or -1.
func (r *Giver) write(ctx context.Context, v *ledger.Volume, w io.Writer, m *vault.Meter) (at int, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	out := newOutlet(w, len(v.SHA256) > 0)
	defer out.abandon()
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
			return fmt.Errorf("%w: a member's contents are too long", format.ErrDamaged)
		}
		if err := out.passBlock(ctx, b); err != nil {
			return err
		}
		chunks -= uint64(len(b.Lengths)) * b.Times
		left -= n
		m.Tick(int64(n))
	}
	if left > 0 {
		return fmt.Errorf("%w: a member's contents are too short", format.ErrDamaged)
	}
	m.Add(int64(len(header))+int64(e.Length), e.Kind == tarstream.Entry)
	return nil
}
