package weave

import (
	"bufio"
	"context"
	"fmt"
	"io"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
)

// Entry is an entry of a member list with its stamps.
type Entry struct {
	Kind   tarstream.Kind
	Rest   []byte // of the header: what is not among the stamps
	Stamps []byte
	Cuts   []format.Cut
	Length uint64 // of the content
	Chunks uint64 // of the content
}

// NewEntry splits a header into an entry, which is without its content yet.
func NewEntry(kind tarstream.Kind, header []byte) Entry {
	if kind != tarstream.Entry {
		return Entry{Kind: kind, Rest: header}
	}
	e := Entry{Kind: kind}
	var cuts []tarstream.Cut
	e.Rest, e.Stamps, cuts = tarstream.SplitStamps(header)
	for _, c := range cuts {
		e.Cuts = append(e.Cuts, format.Cut{Offset: uint32(c.Offset), Length: uint32(c.Length), Sum: c.Sum})
	}
	return e
}

// Header gives the header that NewEntry split.
func (e *Entry) Header() ([]byte, error) {
	if len(e.Cuts) == 0 {
		return e.Rest, nil
	}
	cuts := make([]tarstream.Cut, len(e.Cuts))
	for i, c := range e.Cuts {
		cuts[i] = tarstream.Cut{Offset: int(c.Offset), Length: int(c.Length), Sum: c.Sum}
	}
	header, err := tarstream.JoinStamps(e.Rest, e.Stamps, cuts)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", format.ErrDamaged, err)
	}
	return header, nil
}

// Record gives the entry as it stands in a member list.
func (e *Entry) Record() format.Entry {
	return format.Entry{
		Kind: uint32(e.Kind), Header: format.PackZeros(nil, e.Rest),
		Length: e.Length, Chunks: e.Chunks, Cuts: e.Cuts,
	}
}

// streamLength gives the number of bytes of the stream that the entry stands for.
func (e *Entry) streamLength() uint64 { return uint64(len(e.Rest)+len(e.Stamps)) + e.Length }

// EntryReader reads the member list of a volume and the stamps beside it. It
// must be closed.
type EntryReader struct {
	streams []io.Closer
	entries *format.EntryReader
	packed  *bufio.Reader // the stamps
	taken   *counted      // what packed took of them
	from    Mark          // where the reading began
}

// Mark is a place between two entries: in the member list, and in the stamps.
type Mark struct{ List, Stamps uint64 }

// At gives the place behind the entry that Next gave last.
func (e *EntryReader) At() Mark {
	return Mark{e.from.List + e.entries.Bytes(), e.from.Stamps + e.taken.n - uint64(e.packed.Buffered())}
}

// counted counts what is read.
type counted struct {
	r io.Reader
	n uint64
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n += uint64(n)
	return n, err
}

// Entries begins to read a volume's member list.
func (r *Reader) Entries(ctx context.Context, v *format.Volume) *EntryReader {
	return r.entriesLike(ctx, v, nil, nil)
}

// Wants says which identity a chunk of a slab must have.
type Wants = func(format.SlabID, uint32) (crypt.Identity, bool)

// entriesLike is Entries where each chunk of the list, and of the stamps, is held against what
// is wanted, if that is set, before anything of it is given.
func (r *Reader) entriesLike(ctx context.Context, v *format.Volume, list, stamps Wants) *EntryReader {
	l := r.slabs.StreamWith(ctx, &v.MemberList, fetch.ReadOptions{Lend: true, Want: list})
	s := r.slabs.StreamWith(ctx, OrEmpty(v.Stamps), fetch.ReadOptions{Lend: true, Want: stamps})
	return newEntryReader(fetch.Bytes(l.Next), fetch.Bytes(s.Next), l, s)
}

// LaidEntries begins to read a member list and its stamps, both laid out, between two entries.
func LaidEntries(ctx context.Context, list, stamps *Laid, at Mark) *EntryReader {
	l, s := list.From(ctx, at.List), stamps.From(ctx, at.Stamps)
	e := newEntryReader(l, s, l, s)
	e.from = at
	return e
}

func newEntryReader(list, stamps io.Reader, streams ...io.Closer) *EntryReader {
	taken := &counted{r: stamps}
	return &EntryReader{streams: streams, entries: format.NewEntryReader(list), packed: bufio.NewReader(taken), taken: taken}
}

// OrEmpty gives the recipe of an empty stream for one that is left out.
func OrEmpty(r *format.Recipe) *format.Recipe {
	if r == nil {
		return &format.Recipe{Digest: crypt.NewDigestHasher().Sum()}
	}
	return r
}

func (e *EntryReader) Close() {
	for _, s := range e.streams {
		s.Close()
	}
}

// Next gives the next entry, or io.EOF after the last.
func (e *EntryReader) Next() (Entry, error) {
	f, err := e.entries.Next()
	if err == io.EOF {
		if _, err := e.packed.ReadByte(); err != io.EOF {
			return Entry{}, listError(OrDamage(err, "stamps that no member has"))
		}
		return Entry{}, io.EOF
	}
	if err != nil {
		return Entry{}, listError(err)
	}
	out := Entry{Kind: tarstream.Kind(f.Kind), Cuts: f.Cuts, Length: f.Length, Chunks: f.Chunks}
	// The decoder of entries has checked that the header packed fits, and how long
	// the whole of it is.
	if out.Rest, err = format.UnpackAll(f.Header); err != nil {
		return Entry{}, listError(err)
	}
	if out.Stamps, err = format.UnpackZeros(e.packed, f.StampsLength()); err != nil {
		return Entry{}, listError(OrDamage(err, "stamps end too early"))
	}
	return out, nil
}

func listError(err error) error { return fmt.Errorf("member list: %w", err) }
