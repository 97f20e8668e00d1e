package store

import (
	"bufio"
	"bytes"
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
	kind   tarstream.Kind
	rest   []byte // of the header: what is not among the stamps
	stamps []byte
	cuts   []format.Cut
	length uint64 // of the content
	chunks uint64 // of the content
}

// newEntry splits a header into an entry, which is without its content yet.
func newEntry(kind tarstream.Kind, header []byte) entry {
	if kind != tarstream.Entry {
		return entry{kind: kind, rest: header}
	}
	e := entry{kind: kind}
	var cuts []tarstream.Cut
	e.rest, e.stamps, cuts = tarstream.SplitStamps(header)
	for _, c := range cuts {
		e.cuts = append(e.cuts, format.Cut{Offset: uint32(c.Offset), Length: uint32(c.Length), Sum: c.Sum})
	}
	return e
}

// header gives the header that newEntry split.
func (e *entry) header() ([]byte, error) {
	if len(e.cuts) == 0 {
		return e.rest, nil
	}
	cuts := make([]tarstream.Cut, len(e.cuts))
	for i, c := range e.cuts {
		cuts[i] = tarstream.Cut{Offset: int(c.Offset), Length: int(c.Length), Sum: c.Sum}
	}
	header, err := tarstream.JoinStamps(e.rest, e.stamps, cuts)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return header, nil
}

// record gives the entry as it stands in a member list.
func (e *entry) record() format.Entry {
	return format.Entry{
		Kind: uint32(e.kind), Header: format.PackZeros(nil, e.rest),
		Length: e.length, Chunks: e.chunks, Cuts: e.cuts,
	}
}

// streamLength gives the number of bytes of the stream that the entry stands for.
func (e *entry) streamLength() uint64 { return uint64(len(e.rest)+len(e.stamps)) + e.length }

// entryReader reads the member list of a volume and the stamps beside it. It
// must be closed.
type entryReader struct {
	list    *fetch.Stream
	stamps  *fetch.Stream
	entries *format.EntryReader
	packed  *bufio.Reader // the stamps
}

func (r *Repository) readEntries(ctx context.Context, v *format.Volume) *entryReader {
	lent := fetch.ReadOptions{Lend: true}
	e := &entryReader{
		list:   r.slabs.StreamWith(ctx, &v.MemberList, lent),
		stamps: r.slabs.StreamWith(ctx, orEmpty(v.Stamps), lent),
	}
	e.entries = format.NewEntryReader(fetch.Bytes(e.list.Next))
	e.packed = bufio.NewReader(fetch.Bytes(e.stamps.Next))
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
		if _, err := e.packed.ReadByte(); err != io.EOF {
			return entry{}, listError(orDamage(err, "stamps that no member has"))
		}
		return entry{}, io.EOF
	}
	if err != nil {
		return entry{}, listError(err)
	}
	out := entry{kind: tarstream.Kind(f.Kind), cuts: f.Cuts, length: f.Length, chunks: f.Chunks}
	// The decoder of entries has checked that the header packed fits, and how long
	// the whole of it is.
	packed := bytes.NewReader(f.Header)
	if out.rest, err = format.UnpackZeros(packed, format.UnpackedLength(f.Header)); err == nil && packed.Len() > 0 {
		err = errPacked
	}
	if err != nil {
		return entry{}, listError(orDamage(err, "a header that is not packed as it should be"))
	}
	if out.stamps, err = format.UnpackZeros(e.packed, f.StampsLength()); err != nil {
		return entry{}, listError(orDamage(err, "stamps end too early"))
	}
	return out, nil
}

var errPacked = fmt.Errorf("%w: a header that is not packed as it should be", ErrDamaged)

func listError(err error) error { return fmt.Errorf("member list: %w", err) }
