package fetch

import (
	"bytes"
	"context"
	"encoding/binary"
	"io"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// openByEnd opens a long slab by the copy of its header and end, and keeps one where it is missing or harmed.
func (s *Slabs) openByEnd(ctx context.Context, id format.SlabID, length int64) (*Slab, error) {
	name := endCopy(id)
	var r rereader
	if file := s.kept.Reader(name, -1); file != nil {
		r.kept, _ = io.ReadAll(io.LimitReader(file, format.MaxSection))
		file.Close()
	}
	slab, err := s.openFrom(ctx, r.from(s.storage.ReadAt), id, length)
	if err != nil && len(r.kept) > 0 && ctx.Err() == nil {
		r = rereader{}
		slab, err = s.openFrom(ctx, r.from(s.storage.ReadAt), id, length)
	}
	if err == nil && r.missed {
		s.kept.Add(name, r.read)
	}
	return slab, err
}

func endCopy(id format.SlabID) string { return names.Slab(id) + "-end" }

// rereader gives again what was kept of reads: their bytes in order, each time behind the offset and the length.
type rereader struct {
	kept   []byte
	read   []byte // all of now, likewise
	missed bool   // something was not kept
}

// from gives a reading that reads what was not kept by another one.
func (r *rereader) from(read reading) reading {
	at := 0
	return func(ctx context.Context, name string, p []byte, off int64) error {
		head := binary.LittleEndian.AppendUint64(binary.LittleEndian.AppendUint64(nil, uint64(off)), uint64(len(p)))
		rest, there := bytes.CutPrefix(r.kept[at:], head)
		if there && len(rest) >= len(p) {
			at += len(head) + copy(p, rest)
		} else if err := read(ctx, name, p, off); err != nil {
			return err
		} else {
			r.missed = true
		}
		r.read = append(append(r.read, head...), p...)
		return nil
	}
}
