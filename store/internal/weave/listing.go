package weave

import (
	"context"
	"fmt"
	"io"
	"iter"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
)

// Listed is an entry of a member list with its whole header, and where it
// stands.
type Listed struct {
	Entry
	Head   []byte            // the whole header
	Member *tarstream.Member // nil for bytes that no member describes
	Number int               // of the entry in the list
	Chunk  uint64            // number of its content's first chunk among the contents'
	Skip   int               // bytes of head that belong to the member before: its padding

	Global bool // what the member is goes by more than its own header

	ListLength, StampsLength uint64 // bytes of the entry in the list, and of its stamps, packed
}

// Extent gives what the entry takes of the streams of its volume.
func (l *Listed) Extent() Extent {
	return Extent{List: l.ListLength, Stamps: l.StampsLength, Chunks: l.Chunks}
}

// Listing reads the member list of a volume.
func (r *Reader) Listing(ctx context.Context, v *ledger.Volume) iter.Seq2[*Listed, error] {
	return r.ListingLike(ctx, v, nil, nil)
}

// ListingLike is Listing for who uses the entries before damage as well: each chunk of the list
// and of the stamps is held against what is wanted before anything of it is given.
func (r *Reader) ListingLike(ctx context.Context, v *ledger.Volume, list, stamps Wants) iter.Seq2[*Listed, error] {
	return func(yield func(*Listed, error) bool) {
		entries := r.entriesLike(ctx, v.Volume, list, stamps)
		defer entries.Close()
		w := NewListWalk(v)
		for {
			l, err := w.step(entries)
			if err == io.EOF {
				return
			}
			if err != nil {
				yield(nil, err)
				return
			}
			if !yield(l, nil) {
				return
			}
		}
	}
}

// ListWalk follows a member list, and makes members of its entries.
type ListWalk struct {
	volume  *ledger.Volume
	decoder tarstream.Decoder
	number  int
	chunk   uint64
	before  uint64 // length of the content before
}

// NewListWalk begins with the member list of a volume.
func NewListWalk(v *ledger.Volume) *ListWalk { return &ListWalk{volume: v} }

// Global tells whether headers came that say something of all members behind them.
func (w *ListWalk) Global() bool { return w.decoder.Global() }

// step reads the next entry.
func (w *ListWalk) step(entries *EntryReader) (*Listed, error) {
	before := entries.At()
	e, err := entries.Next()
	if err != nil {
		return nil, err
	}
	l, err := w.Next(e)
	if err != nil {
		return nil, err
	}
	after := entries.At()
	l.ListLength, l.StampsLength = after.List-before.List, after.Stamps-before.Stamps
	return l, nil
}

// Next gives the next entry as it is listed.
func (w *ListWalk) Next(e Entry) (*Listed, error) {
	l := &Listed{Entry: e, Number: w.number, Chunk: w.chunk, Skip: Padding(w.before)}
	var err error
	if l.Head, err = e.Header(); err != nil {
		return nil, listError(err)
	}
	switch {
	case e.Kind == tarstream.Entry:
		if l.Skip > len(l.Head) || e.Length > 1<<62 {
			return nil, listError(fmt.Errorf("%w: entry %d can't be", format.ErrDamaged, w.number))
		}
		if l.Member, err = w.decoder.Member(l.Head, int64(e.Length)); err != nil {
			return nil, listError(fmt.Errorf("%w: entry %d: %w", format.ErrDamaged, w.number, err))
		}
		l.Global = w.decoder.Global()
	case !w.volume.Tar && w.number == 0:
		l.Member = plainMember(w.volume.Volume)
	}
	return l, w.Pass(e.Chunks, e.Length)
}

// Pass goes on behind an entry that is known already.
func (w *ListWalk) Pass(chunks, length uint64) error {
	if all := chunkCount(w.volume.Volume); chunks > all-w.chunk {
		return listError(fmt.Errorf("%w: entry %d ends behind the last of %d chunks", format.ErrDamaged, w.number, all))
	}
	w.number++
	w.chunk += chunks
	w.before = length
	return nil
}

// chunkCount gives the number of chunks of a volume's contents.
func chunkCount(v *format.Volume) uint64 {
	if v.Contents == nil {
		return 0
	}
	return v.Contents.Chunks
}

// Padding gives the bytes that fill up the last block of a content (POSIX.1,
// pax: blocks of 512 bytes).
func Padding(length uint64) int { return int(-length & 511) }

// plainMember gives the only member of a volume that is no tar stream.
func plainMember(v *format.Volume) *tarstream.Member {
	name := v.Source
	if name == "" {
		name = v.Name
	}
	return &tarstream.Member{Path: name, Type: tarstream.File, Size: int64(v.Length), Stored: int64(v.Length), Mode: 0o600}
}
