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
}

// NewEntryWriter begins a member list, and the stamps beside it.
func (w *Weaver) NewEntryWriter(t *Strands) (*EntryWriter, error) {
	list, err := w.ListWriter(t.List)
	if err != nil {
		return nil, err
	}
	stamps, err := w.ListWriter(t.Stamps)
	if err != nil {
		return nil, errors.Join(err, list.Close())
	}
	return &EntryWriter{w: w, list: list, stamps: stamps}, nil
}

// Write adds an entry.
func (l *EntryWriter) Write(e Entry) error {
	n := e.streamLength()
	l.Length += n
	l.w.Meter.Add(int64(n), e.Kind == tarstream.Entry)
	if _, err := l.list.Write(l.w.Entries.Encode(e.Record())); err != nil {
		return err
	}
	l.packed = format.PackZeros(l.packed[:0], e.Stamps)
	_, err := l.stamps.Write(l.packed)
	return err
}

// Finish cuts what is left of both into chunks.
func (l *EntryWriter) Finish() error { return errors.Join(l.list.Close(), l.stamps.Close()) }

// Close frees what Finish did not.
func (l *EntryWriter) Close() { l.Finish() }
