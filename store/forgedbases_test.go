package store_test

import (
	"context"
	"errors"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// deltaOf gives a frame of a chunk that is a copy of all of its first base, which has the same content.
func (f *forge) deltaOf(raw []byte, depth uint32, bases ...format.Base) forgedFrame {
	packed := f.zstd.EncodeAll([]byte{0, 0, byte(len(raw))}, nil) // no literals, from the begin, so many bytes
	return forgedFrame{chunks: [][]byte{raw}, packed: packed, kind: format.Delta, stands: format.Standing{Depth: depth, Copies: uint32(len(packed)), Bases: bases}}
}

// captureOf puts the index file of a capture of one content, whose only chunk has a place.
func (f *forge) captureOf(slab format.SlabID, chunk uint32, raw []byte) {
	v := f.volumeOf(members(f.t, regular("catalogue", len(raw))))
	r := f.recipe(slab, chunk, raw)
	v.Contents = &r
	f.capture(func(x *format.IndexFile) { x.Deltas = true }, v)
}

// open opens what was forged.
func (f *forge) open() *store.Repository {
	f.t.Helper()
	r, err := store.Open(f.t.Context(), f.mem, f.key, store.OpenOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { r.Close() })
	return r
}

// TestVerifyCircles: frames that stand on themselves are found by what slabs say of themselves, without reading one.
func TestVerifyCircles(t *testing.T) {
	for name, forged := range map[string]func(f *forge) (harmed format.SlabID){
		"itself": func(f *forge) format.SlabID {
			id := f.newSlabID()
			f.forgeSlab(forgedSlab{id: &id, frames: []forgedFrame{f.deltaOf(bean, 1, format.Base{Slab: id, Count: 1})}})
			return id
		},
		"each other": func(f *forge) format.SlabID {
			a, b := f.newSlabID(), f.newSlabID()
			f.forgeSlab(forgedSlab{id: &a, frames: []forgedFrame{f.deltaOf(bean, 2, format.Base{Slab: b, Count: 1})}})
			f.forgeSlab(forgedSlab{id: &b, frames: []forgedFrame{f.deltaOf(bean, 2, format.Base{Slab: a, Count: 1})}})
			return a
		},
		"several frames": func(f *forge) format.SlabID {
			base := f.forgeSlab(forgedSlab{frames: []forgedFrame{{chunks: [][]byte{bean}}, {chunks: [][]byte{bean}}}})
			return f.forgeSlab(forgedSlab{frames: []forgedFrame{f.deltaOf(bean, 1, format.Base{Slab: base, Count: 2})}})
		},
		"more chunks than there are": func(f *forge) format.SlabID {
			base := f.slab(bean)
			return f.forgeSlab(forgedSlab{frames: []forgedFrame{f.deltaOf(bean, 1, format.Base{Slab: base, Count: 2})}})
		},
	} {
		t.Run(name, func(t *testing.T) {
			f := newForge(t)
			id := forged(f)
			f.captureOf(id, 0, bean)
			f.tables()
			report, err := f.open().Verify(t.Context(), store.VerifyOptions{})
			if err != nil {
				t.Fatal(err)
			}
			harmed := 0
			for _, d := range report.Damage {
				if d.Object == names.Slab(id) {
					harmed += len(d.Captures)
				}
			}
			if harmed != 1 {
				t.Errorf("%+v", report.Damage)
			}
		})
	}
}

// TestWideBases: bases are counted once for each frame, not for each of its chunks: by chunks it would be four thousand million
// looks, and that not within the test's time. Who ends the call is heeded between them.
func TestWideBases(t *testing.T) {
	f := newForge(t)
	var chunks [][]byte
	for i := range format.MaxFrameChunks {
		chunks = append(chunks, []byte{byte(i), byte(i >> 8), 1})
	}
	base := f.slab(chunks...)
	wide := f.deltaOf(bean, 1)
	wide.chunks = chunks
	for range format.MaxBases {
		wide.stands.Bases = append(wide.stands.Bases, format.Base{Slab: base, Count: format.MaxFrameChunks})
	}
	id := f.forgeSlab(forgedSlab{frames: []forgedFrame{wide}})
	v := f.volumeOf(members(t, regular("catalogue", 4)))
	r := f.recipe(id, 0, chunks...)
	v.Contents = &r
	f.capture(func(x *format.IndexFile) { x.Deltas = true }, v)
	f.tables()
	usage, err := f.open().Usage(t.Context())
	if err != nil || usage == nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancelCause(t.Context())
	ended := errors.New("ended")
	cancel(ended)
	if _, err := f.open().Usage(ctx); !errors.Is(err, ended) {
		t.Error(err)
	}
}

// TestReplicateByLyingTable: a table hides what a slab stands on, and nothing else tells of it. That is damage, and the capture
// is not copied without what it needs.
func TestReplicateByLyingTable(t *testing.T) {
	f, there, c, stream := basesLeft(t)
	g := tamperWith(t, f.mem, f.key)
	var lies [][]byte
	for _, records := range g.tableRecords() {
		for _, rec := range records {
			for i := range rec.Frames {
				if rec.Frames[i].Kind == format.Delta {
					rec.Frames[i].Kind, rec.Frames[i].Standing = format.Zstd, format.Standing{}
				}
			}
			lies = append(lies, rec.Encode())
		}
	}
	for _, table := range f.list(names.Tables) {
		f.remove(table.Name)
	}
	g.table(lies...)
	f.reopen()
	out := f.replicate(there)
	if len(out.Sent) > 0 || len(out.Damage) == 0 || out.Damage[0].There || len(out.Damage[0].Captures) != 1 {
		t.Errorf("%+v", out)
	}
	if _, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil {
		t.Fatal(err)
	}
	f.reopen()
	if out = f.replicate(there); len(out.Sent) != 1 || len(out.Damage) > 0 {
		t.Fatalf("after a repair: %+v", out)
	}
	there.reopen()
	copied, err := there.Find(t.Context(), c.ID)
	if err != nil {
		t.Fatal(err)
	}
	there.wantStream(copied, stream)
}
