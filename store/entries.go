package store

import (
	"context"
	"fmt"
	"io"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
)

// entry is an entry of a member list with its stamps.
type entry struct {
	format.Entry
	stamps []byte
}

// newEntry splits a header into an entry, which is without its content yet, and
// its stamps.
func newEntry(kind tarstream.Kind, header []byte) entry {
	e := entry{Entry: format.Entry{Kind: uint32(kind), Header: header}}
	if kind != tarstream.Entry {
		return e
	}
	var cuts []tarstream.Cut
	e.Header, e.stamps, cuts = tarstream.SplitStamps(header)
	for _, c := range cuts {
		e.Cuts = append(e.Cuts, format.Cut{Offset: uint32(c.Offset), Length: uint32(c.Length), Sum: c.Sum})
	}
	return e
}

// header gives the header that newEntry split.
func (e *entry) header() ([]byte, error) {
	if len(e.Cuts) == 0 {
		return e.Header, nil
	}
	cuts := make([]tarstream.Cut, len(e.Cuts))
	for i, c := range e.Cuts {
		cuts[i] = tarstream.Cut{Offset: int(c.Offset), Length: int(c.Length), Sum: c.Sum}
	}
	header, err := tarstream.JoinStamps(e.Header, e.stamps, cuts)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return header, nil
}

// entryReader reads the member list of a volume and the stamps beside it. It
// must be closed.
type entryReader struct {
	list    *fetch.Stream
	stamps  *fetch.Stream
	entries *format.EntryReader
	bytes   io.Reader // of the stamps
}

func (r *Repository) readEntries(ctx context.Context, v *format.Volume) *entryReader {
	e := &entryReader{
		list:   r.slabs.Stream(ctx, &v.MemberList),
		stamps: r.slabs.Stream(ctx, orEmpty(v.Stamps)),
	}
	e.entries = format.NewEntryReader(fetch.Bytes(e.list.Next))
	e.bytes = fetch.Bytes(e.stamps.Next)
	return e
}

// orEmpty gives the recipe of an empty stream for one that is left out.
func orEmpty(r *format.Recipe) *format.Recipe {
	if r == nil {
		return &format.Recipe{Digest: crypt.NewDigestHasher().Sum()}
	}
	return r
}

func (e *entryReader) close() {
	e.list.Close()
	e.stamps.Close()
}

// next gives the next entry, or io.EOF after the last.
func (e *entryReader) next() (entry, error) {
	f, err := e.entries.Next()
	if err == io.EOF {
		if _, err := e.stamps.Next(); err != io.EOF {
			return entry{}, listError(orDamage(err, "stamps that no member has"))
		}
		return entry{}, io.EOF
	}
	if err != nil {
		return entry{}, listError(err)
	}
	n := 0
	for _, c := range f.Cuts {
		n += int(c.Length)
	}
	out := entry{Entry: f}
	if n > 0 {
		out.stamps = make([]byte, n)
		if _, err := io.ReadFull(e.bytes, out.stamps); err != nil {
			return entry{}, listError(orDamage(err, "stamps end too early"))
		}
	}
	return out, nil
}

func listError(err error) error { return fmt.Errorf("member list: %w", err) }
