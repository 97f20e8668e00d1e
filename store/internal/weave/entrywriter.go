package weave

import (
	"errors"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/format"
)

// EntryWriter is a member list being written, with the stamps beside it.
type EntryWriter struct {
	w      *Weaver
	list   *chunk.Writer
	stamps *chunk.Writer
	Length uint64 // of the stream that the entries stand for
	packed []byte

	t       *Strands
	order   *OrderWriter
	decoder tarstream.Decoder
	before  uint64 // length of the content before
}

// NewEntryWriter begins a member list, with the stamps and the order beside it.
func (w *Weaver) NewEntryWriter(t *Strands) (*EntryWriter, error) {
	list, err := w.ListWriter(t.List)
	if err != nil {
		return nil, err
	}
	stamps, err := w.ListWriter(t.Stamps)
	if err != nil {
		return nil, errors.Join(err, list.Close())
	}
	return &EntryWriter{w: w, t: t, list: list, stamps: stamps, order: w.NewOrder(t, false)}, nil
}

// Write adds an entry that NewEntry made of a header.
func (l *EntryWriter) Write(e Entry, header []byte) error {
	n := e.streamLength()
	l.Length += n
	l.w.Meter.Add(int64(n), e.Kind == tarstream.Entry)
	record := l.w.Entries.Encode(e.Record())
	if _, err := l.list.Write(record); err != nil {
		return err
	}
	l.packed = format.PackZeros(l.packed[:0], e.Stamps)
	if _, err := l.stamps.Write(l.packed); err != nil {
		return err
	}
	return l.addToOrder(&e, header, Extent{uint64(len(record)), uint64(len(l.packed)), e.Chunks})
}

// addToOrder finds out the path of a member. Where that goes by more than its own header, or
// there is none, there is no order.
func (l *EntryWriter) addToOrder(e *Entry, header []byte, x Extent) error {
	padding := Padding(l.before)
	l.before = e.Length
	if e.Kind != tarstream.Entry {
		l.order.Pass(x)
		return nil
	}
	if l.order.GivenUp() {
		return nil
	}
	m, err := l.decoder.Member(header, int64(e.Length))
	if err != nil || l.decoder.Global() || padding > len(header) {
		l.order.GiveUp()
		return nil
	}
	return l.order.Add(CleanPath(m.Path), padding, x)
}

// Finish cuts what is left of both into chunks, and ends the order.
func (l *EntryWriter) Finish() error {
	err := l.close()
	if err == nil {
		err = l.t.EndOrder(l.order)
	}
	return err
}

func (l *EntryWriter) close() error { return errors.Join(l.list.Close(), l.stamps.Close()) }

// Close frees what Finish did not.
func (l *EntryWriter) Close() { l.close() }
