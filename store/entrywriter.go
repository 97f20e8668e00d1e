package store

import (
	"errors"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/format"
)

// entryWriter is a member list being written, with the stamps beside it.
type entryWriter struct {
	w      *weaver
	list   *chunk.Writer
	stamps *chunk.Writer
	length uint64 // of the stream that the entries stand for
	packed []byte
}

func (w *weaver) newEntryWriter(t *strands) (*entryWriter, error) {
	list, err := w.listWriter(t.list)
	if err != nil {
		return nil, err
	}
	stamps, err := w.listWriter(t.stamps)
	if err != nil {
		return nil, errors.Join(err, list.Close())
	}
	return &entryWriter{w: w, list: list, stamps: stamps}, nil
}

func (l *entryWriter) write(e entry) error {
	n := e.streamLength()
	l.length += n
	l.w.meter.Add(int64(n), e.kind == tarstream.Entry)
	if _, err := l.list.Write(l.w.entries.Encode(e.record())); err != nil {
		return err
	}
	l.packed = format.PackZeros(l.packed[:0], e.stamps)
	_, err := l.stamps.Write(l.packed)
	return err
}

func (l *entryWriter) finish() error { return errors.Join(l.list.Close(), l.stamps.Close()) }

// close frees what finish did not.
func (l *entryWriter) close() { l.finish() }
