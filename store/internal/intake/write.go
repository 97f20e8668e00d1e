package intake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/parity"
	"github.com/kistarchive/kist/store/storage"
)

// Written says what a session added to the repository.
type Written struct {
	Slabs  int
	Tables int
	Bytes  int64 // of slabs and tables
}

// tableSlabs is how many slabs a table object lists before the next one is
// begun: about 2 GiB of slabs. It bounds what is read again after a kill.
const tableSlabs = 64

// writer seals frames into slabs and puts slabs and tables.
type writer struct {
	cfg     Config
	slab    *openSlab
	sent    []*openSlab   // that are complete and being put, the oldest first
	pieces  []chan []byte // of slabs that were put, which may be used again
	whole   []byte        // the memory of openSlab.whole, used again
	records [][]byte      // encoded, of the slabs that are on disk and in no table yet
	written Written
	stands  map[format.SlabID][]format.SlabID // of the slabs that it wrote that have deltas, those that they stand on
}

// openSlab is a slab that is being put while it is filled.
type openSlab struct {
	id     format.SlabID
	sealer *crypt.Sealer
	feed   *feed
	length int // of what was sent
	target int // of all of it, once padding is known
	frames []format.TableFrame
	chunks uint32
	bases  int    // of all frames
	alike  bool   // as in format.SlabTable
	most   int    // bytes of all of it; 0: format.SlabTarget
	record []byte // once it is complete

	parity int    // percent
	whole  []byte // what was sent, where parity is made of it
}

func newWriter(cfg Config) *writer {
	w := &writer{cfg: cfg, stands: make(map[format.SlabID][]format.SlabID)}
	for _, r := range cfg.Adopted {
		w.records = append(w.records, r.EncodePadded())
	}
	return w
}

func (in *Intake) runWrite() error {
	err := in.writeFrames()
	if err != nil {
		in.writer.arrive() // all of it was sent: it may yet arrive
	}
	return err
}

func (in *Intake) writeFrames() error {
	for f := range in.write {
		if _, err := receive(in.ctx, f.done); err != nil {
			return err
		}
		if err := in.writer.place(in.base, f); err != nil {
			return err
		}
		if f.ends {
			if err := in.writer.endSlab(in.base); err != nil {
				return err
			}
		}
		if f.settled != nil {
			close(f.settled)
		}
		in.freeFrame <- f // never blocks: it has room for all frames
	}
	return in.writer.closeSlab(in.base)
}

// place seals a frame into the open slab.
func (w *writer) place(ctx context.Context, f *frame) error {
	if len(f.lengths) == 0 {
		return nil
	}
	if w.slab != nil && !w.slab.takes(f) {
		if err := w.closeSlab(ctx); err != nil {
			return err
		}
	}
	if w.slab == nil {
		if err := w.openSlab(ctx); err != nil {
			return err
		}
	}
	if w.cfg.spoil != nil {
		w.cfg.spoil(f)
	}
	s := w.slab
	listed := format.TableFrame{
		Kind:   format.Zstd,
		Sealed: uint32(len(f.packed) + crypt.Overhead),
		Chunks: slices.Clone(f.lengths),
		IDs:    bytes.Clone(f.ids),
	}
	if f.copies > 0 {
		listed.Kind, listed.Standing = format.Delta, w.standing(f)
		s.bases += len(listed.Bases)
	}
	if err := f.checkLimits(listed.Frame()); err != nil {
		return err
	}
	if err := s.sendFrame(f.packed); err != nil {
		return err
	}
	s.frames = append(s.frames, listed)
	w.cfg.Index.PlaceFrame(f.number, s.id, s.chunks)
	s.chunks += uint32(len(f.lengths))
	return nil
}

// standing says where the bases of a frame lie, which are placed.
func (w *writer) standing(f *frame) format.Standing {
	out := format.Standing{Depth: f.depth, Copies: uint32(f.copies)}
	on := w.stands[w.slab.id]
	for _, p := range f.bases {
		slab, first := p.slab, p.n
		if p.frame >= 0 {
			var start uint32
			slab, start = w.cfg.Index.FramePlace(p.frame)
			first += start
		}
		out.Bases = append(out.Bases, format.Base{Slab: slab, First: first, Count: p.count})
		if slab != w.slab.id && !slices.Contains(on, slab) {
			on = append(on, slab)
		}
	}
	w.stands[w.slab.id] = on
	return out
}

// openSlab begins a slab, and to put it. Those before may still be on their way:
// what is written last is flushed while this one is filled.
func (w *writer) openSlab(ctx context.Context) error {
	id := format.NewSlabID()
	sealer, kind, wrapped, err := w.cfg.Keys.NewSealer(crypt.ObjectName{
		Repository: w.cfg.Repository, Kind: format.Slab.String(), Name: id.String(),
	})
	if err != nil {
		return err
	}
	pieces := newPieces()
	if n := len(w.pieces); n > 0 {
		w.pieces, pieces = w.pieces[:n-1], w.pieces[n-1]
	}
	target := format.FrameTarget
	if w.cfg.deltas() {
		target = format.DeltaTarget // lists have longer ones
	}
	w.slab = &openSlab{id: id, sealer: sealer, feed: newFeed(ctx, w.cfg.Storage, names.Slab(id), pieces, pieceOf(target)), parity: w.cfg.Parity, whole: w.whole[:0],
		alike: w.cfg.Alike && w.cfg.deltas(), most: w.cfg.slabTarget}
	return w.slab.send(format.MaxHeader, func(b []byte) []byte {
		return format.AppendHeader(b, format.Header{Kind: format.Slab, Wrapping: kind, Wrapped: wrapped})
	})
}

// closeSlab completes the open slab, and waits until another one may be put beside those that are on their way.
func (w *writer) closeSlab(ctx context.Context) error {
	s := w.slab
	if s == nil {
		return nil
	}
	if err := w.pad(s); err != nil {
		return err
	}
	if err := s.finish(w.cfg.Apart.Group); err != nil {
		return err
	}
	w.whole, s.whole = s.whole, nil
	w.slab, w.sent = nil, append(w.sent, s)
	return w.await(ctx, w.cfg.puts()-1)
}

// endSlab completes the open slab, and waits until all have been put.
func (w *writer) endSlab(ctx context.Context) error {
	if err := w.closeSlab(ctx); err != nil {
		return err
	}
	return w.await(ctx, 0)
}

// send sends what add appends to an empty piece, about n bytes.
func (s *openSlab) send(n int, add func([]byte) []byte) error {
	b, err := s.feed.piece(n)
	if err != nil {
		return err
	}
	b = add(b)
	s.length += len(b)
	if s.parity > 0 {
		s.whole = append(roomy(s.whole, len(b)), b...)
	}
	s.feed.send(b)
	return nil
}

// roomy gives b with room for n bytes more: for all of a slab once it is no small one, or growing
// would take several times its memory.
func roomy(b []byte, n int) []byte {
	if len(b)+n <= cap(b) || len(b)+n <= pieceLength || len(b)+n > format.SlabTarget {
		return b
	}
	return append(make([]byte, 0, format.SlabTarget), b...)
}

func (s *openSlab) sendFrame(packed []byte) error {
	return s.send(len(packed)+crypt.Overhead, func(b []byte) []byte {
		return s.sealer.Seal(b, packed, crypt.Piece{Kind: crypt.PieceFrame, Number: uint64(len(s.frames))})
	})
}

// finish sends table, parity and trailer, and keeps the slab's record for a table.
func (s *openSlab) finish(group []byte) error {
	plain := s.table(group).EncodePadded()
	tail := format.AppendSectionHead(nil, format.TableSection, true, len(plain)+crypt.Overhead)
	tail = s.sealer.Seal(tail, plain, crypt.Piece{Kind: crypt.PieceSection, Number: uint64(format.TableSection)})
	section, _ := parity.Section(s.target, s.parity) // padding left room
	t := format.Trailer{Sections: uint64(s.length), Length: uint64(s.length + len(tail) + section + format.TrailerSize)}
	tail = append(tail, make([]byte, section)...)
	tail = format.AppendTrailer(tail, t, s.sealer)
	if s.parity > 0 {
		s.whole = append(s.whole, tail...)
		if err := parity.Write(s.whole, s.parity); err != nil {
			return err
		}
		tail = s.whole[s.length:]
	}
	if err := s.send(len(tail), func(b []byte) []byte { return append(b, tail...) }); err != nil {
		return err
	}
	s.feed.end()
	record := format.SlabRecord{Slab: s.id, Length: t.Length, Frames: s.frames, Group: group}
	s.record = record.EncodePadded()
	return nil
}

// table gives the slab's own table.
func (s *openSlab) table(group []byte) *format.SlabTable {
	t := &format.SlabTable{Frames: make([]format.Frame, len(s.frames)), Group: group, Alike: s.alike}
	for i := range s.frames {
		t.Frames[i] = s.frames[i].Frame()
	}
	return t
}

// await waits until no more slabs than so many are on their way, and writes a table when enough of those that arrived wait for one:
// in the order in which they were filled, so that none is listed before those that it stands on. One that failed is told at once.
func (w *writer) await(ctx context.Context, most int) error {
	for _, s := range w.sent {
		if err := s.feed.failed(); err != nil {
			return err
		}
	}
	for len(w.sent) > most {
		s := w.sent[0]
		if err := s.feed.wait(); err != nil {
			return err
		}
		w.sent = w.sent[1:]
		w.pieces = append(w.pieces, s.feed.free)
		w.records = append(w.records, s.record)
		w.written.Slabs++
		w.written.Bytes += int64(s.length)
		if len(w.records) >= tableSlabs {
			if err := w.writeTable(ctx); err != nil {
				return err
			}
		}
	}
	return nil
}

// arrive waits until no slab is on its way that is complete.
func (w *writer) arrive() {
	for _, s := range w.sent {
		s.feed.wait() // salvage asks again
	}
}

// hasWritten tells whether a table is yet to be written. The stages have ended.
func (w *writer) hasWritten() bool { return len(w.sent) > 0 || len(w.records) > 0 }

// finish waits for the last slabs and writes the last table. The stages have
// ended.
func (w *writer) finish(ctx context.Context) (Written, error) {
	if err := w.await(ctx, 0); err != nil {
		return Written{}, err
	}
	if err := w.writeLastTable(ctx); err != nil {
		return Written{}, err
	}
	return w.written, nil
}

// writeLastTable puts the last table, with what is to be joined. That is not counted: it was there.
func (w *writer) writeLastTable(ctx context.Context) error {
	if len(w.records) == 0 {
		return nil
	}
	for _, r := range w.cfg.Joined {
		b := r.EncodePadded()
		w.records = append(w.records, b)
		w.written.Bytes -= int64(4 + len(b) + crypt.Overhead)
	}
	return w.writeTable(ctx)
}

// salvage writes a table of what arrived, after a failure, but for slabs that stand on one which did not.
func (w *writer) salvage(ctx context.Context) error {
	if w.slab != nil {
		w.sent = append(w.sent, w.slab)
	}
	lost := make(map[format.SlabID]bool)
	for _, s := range w.sent {
		arrived := s.feed.wait() == nil && s.record != nil
		if arrived && !slices.ContainsFunc(w.stands[s.id], func(on format.SlabID) bool { return lost[on] }) {
			w.records = append(w.records, s.record)
		} else {
			lost[s.id] = true
		}
	}
	w.sent, w.slab = nil, nil
	return w.writeTable(ctx)
}

// writeTable puts a table object of the slabs that are in none.
func (w *writer) writeTable(ctx context.Context) error {
	if len(w.records) == 0 {
		return nil
	}
	n, err := WriteTable(ctx, w.cfg, w.records)
	if err != nil {
		return err
	}
	w.records = nil
	w.written.Tables++
	w.written.Bytes += n
	return nil
}

// drawnNames bounds how many names a table is tried under. That a machine draws the letters of another one's table of the
// same minute is rare, and that it does so again and again is not chance.
const drawnNames = 8

// WriteTable puts a table object with the given encoded slab records and gives
// its length in bytes. Where its name is taken already it draws another one.
func WriteTable(ctx context.Context, cfg Config, records [][]byte) (n int64, err error) {
	for range drawnNames {
		n, err = writeTable(ctx, cfg, cfg.TableName(), records)
		if !errors.Is(err, storage.ErrExists) {
			break
		}
	}
	return n, err
}

func writeTable(ctx context.Context, cfg Config, id string, records [][]byte) (int64, error) {
	sealer, kind, wrapped, err := cfg.Keys.NewSealer(crypt.ObjectName{
		Repository: cfg.Repository, Kind: format.Table.String(), Name: id,
	})
	if err != nil {
		return 0, err
	}
	buf := format.AppendHeader(nil, format.Header{Kind: format.Table, Wrapping: kind, Wrapped: wrapped})
	for i, r := range records {
		buf = format.AppendRecord(buf, r, uint64(i), sealer)
	}
	buf = format.AppendRecord(buf, nil, uint64(len(records)), sealer)
	if err := cfg.Storage.Put(ctx, names.Table(id), bytes.NewReader(buf)); err != nil {
		return 0, fmt.Errorf("writing table %s: %w", names.Table(id), err)
	}
	return int64(len(buf)), nil
}
