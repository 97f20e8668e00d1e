package store_test

import (
	"bytes"
	"encoding/json"
	"path"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// tamperWith gives a forge that changes a repository with the right keys, as a machine
// whose memory is broken does, or one that means harm.
func tamperWith(t testing.TB, mem *storage.Memory, key *crypt.KeyFile) *forge {
	t.Helper()
	all := objects(t, mem)
	var manifest struct {
		ID crypt.RepositoryID `json:"id"`
	}
	if err := json.Unmarshal(all[names.Manifest], &manifest); err != nil {
		t.Fatal(err)
	}
	var slots []crypt.SlotDocument
	for name, b := range all {
		if id, ok := strings.CutPrefix(name, "keyslots/"); ok {
			slots = append(slots, crypt.SlotDocument{ID: crypt.SlotID(strings.TrimSuffix(id, ".json")), Document: b})
		}
	}
	root, _, err := crypt.UnlockAny(t.Context(), slots, key, manifest.ID, crypt.UnlockOptions{})
	if err != nil {
		t.Fatal(err)
	}
	f := &forge{t: t, mem: mem, key: key, root: root, id: manifest.ID, zstd: forgeEncoder()}
	if f.keys, err = root.Derive(f.id); err != nil {
		t.Fatal(err)
	}
	f.hasher = f.keys.NewHasher()
	return f
}

// records gives what the tables say, by table.
func (f *forge) tableRecords() map[string][]*format.SlabRecord {
	f.t.Helper()
	all := make(map[string][]*format.SlabRecord)
	for name, b := range objects(f.t, f.mem) {
		if path.Dir(name) != names.Tables {
			continue
		}
		h, n, err := format.ParseHeader(b, format.Table)
		if err != nil {
			f.t.Fatal(err)
		}
		opener, err := h.Open(f.keys, crypt.ObjectName{Repository: f.id, Kind: format.Table.String(), Name: path.Base(name)})
		if err != nil {
			f.t.Fatal(err)
		}
		in := format.NewRecordReader(bytes.NewReader(b[n:]), opener)
		for {
			plain, err := in.Next()
			if err != nil {
				break
			}
			rec, err := format.DecodeSlabRecord(plain)
			if err != nil {
				f.t.Fatal(err)
			}
			all[name] = append(all[name], rec)
		}
	}
	return all
}

// retell puts each table anew in which change changes a record.
func (f *forge) retell(change func(*format.SlabRecord) bool) {
	f.t.Helper()
	for name, records := range f.tableRecords() {
		changed := false
		var encoded [][]byte
		for _, rec := range records {
			changed = change(rec) || changed
			encoded = append(encoded, rec.Encode())
		}
		if changed {
			f.remove(name)
			f.table(encoded...)
		}
	}
}

func (f *forge) remove(name string) {
	f.t.Helper()
	if err := f.mem.Remove(f.t.Context(), name); err != nil {
		f.t.Fatal(err)
	}
}

// chunksOf gives the chunks of a slab, by frame, without its padding, which comes last.
func (f *forge) chunksOf(id format.SlabID) (frames [][][]byte) {
	f.t.Helper()
	slabs, err := fetch.New(f.mem, f.id, f.keys)
	if err != nil {
		f.t.Fatal(err)
	}
	defer slabs.Close()
	slab, err := slabs.Open(f.t.Context(), id)
	if err != nil {
		f.t.Fatal(err)
	}
	for i := range slab.Frames {
		if slab.Frames[i].Padding {
			break
		}
		raw, err := slabs.Frame(f.t.Context(), slab, i)
		if err != nil {
			f.t.Fatal(err)
		}
		var chunks [][]byte
		for _, n := range slab.Frames[i].Chunks {
			chunks = append(chunks, slices.Clone(raw[:n]))
			raw = raw[n:]
		}
		frames = append(frames, chunks)
	}
	return frames
}

// slabIDs gives the slabs that there are.
func (f *forge) slabIDs() (ids []format.SlabID) {
	f.t.Helper()
	infos, err := f.mem.List(f.t.Context(), names.Slabs)
	if err != nil {
		f.t.Fatal(err)
	}
	for _, info := range infos {
		id, err := names.ParseSlab(info.Name)
		if err != nil {
			f.t.Fatal(err)
		}
		ids = append(ids, id)
	}
	return ids
}

// flip flips a bit of a chunk as between hashing and compressing: the slab holds
// it, and its tables go on saying what it was.
func (f *forge) flip(at chunkAt) {
	f.t.Helper()
	f.flipByte(at, len(at.content)/2)
}

// flipByte is flip for a byte of the chunk.
func (f *forge) flipByte(at chunkAt, n int) {
	f.t.Helper()
	id, frame, chunk := at.slab, at.frame, at.chunk
	var s forgedSlab
	for i, chunks := range f.chunksOf(id) {
		if i == frame {
			chunks[chunk][n] ^= 4
		}
		s.frames = append(s.frames, forgedFrame{chunks: chunks})
	}
	s.id = &id
	f.remove(names.Slab(id))
	f.forgeSlab(s)
	now := f.records[len(f.records)-1]
	f.retell(func(rec *format.SlabRecord) bool {
		if rec.Slab != id {
			return false
		}
		rec.Length, rec.Frames = now.Length, rec.Frames[:len(now.Frames)]
		for i := range rec.Frames {
			rec.Frames[i].Sealed = now.Frames[i].Sealed
		}
		return true
	})
}

// lie has the tables say that a chunk is another one.
func (f *forge) lie(id format.SlabID, frame, chunk int, other []byte) {
	f.t.Helper()
	f.retell(func(rec *format.SlabRecord) bool {
		if rec.Slab != id {
			return false
		}
		rec.Frames[frame].IDs = lying(rec.Frames[frame].IDs, chunk, f.hasher.Sum(other))
		return true
	})
}

// rival puts one more table, which is read first, that says of a slab that a chunk is
// another one.
func (f *forge) rival(id format.SlabID, frame, chunk int, other []byte) {
	f.t.Helper()
	for _, records := range f.tableRecords() {
		for _, rec := range records {
			if rec.Slab == id {
				rec.Frames[frame].IDs = lying(rec.Frames[frame].IDs, chunk, f.hasher.Sum(other))
				f.table(rec.Encode())
				return
			}
		}
	}
	f.t.Fatalf("no table lists %s", id)
}

func lying(ids []byte, chunk int, id crypt.Identity) []byte {
	ids = slices.Clone(ids)
	copy(ids[chunk*len(id):], id[:])
	return ids
}
