package stock

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
)

// Said is what tables say of the chunks of a slab. Anybody who holds a key may have
// written them, on a machine with broken memory, or in bad faith.
type Said struct {
	IDs     []crypt.Identity // as the first table says that lists it
	Lengths []uint32
	Others  map[uint32][]crypt.Identity // what was said besides, by other tables or formerly
}

// SaidOf gives what the tables say of some slabs.
func (r *Stock) SaidOf(ctx context.Context, slabs map[format.SlabID]bool) (map[format.SlabID]*Said, error) {
	all := make(map[format.SlabID]*Said)
	return all, r.ReadTables(ctx, func(_ storage.Info, records []*format.SlabRecord, _ error) error {
		for _, rec := range records {
			if !slabs[rec.Slab] {
				continue
			}
			if all[rec.Slab] == nil {
				all[rec.Slab] = new(Said)
			}
			all[rec.Slab].add(rec)
		}
		return nil
	})
}

// add takes in a record.
func (s *Said) add(rec *format.SlabRecord) {
	ids := IdentitiesOf(rec)
	if s.IDs == nil {
		s.IDs = ids
		for i := range rec.Frames {
			s.Lengths = append(s.Lengths, rec.Frames[i].Chunks...)
		}
	}
	for n, id := range ids {
		s.also(uint32(n), id)
	}
	first := 0
	for i := range rec.Frames {
		for c, id := range rec.Frames[i].FormerIDs() {
			s.also(uint32(first+c), id)
		}
		first += len(rec.Frames[i].Chunks)
	}
}

// MostSaid is how many identities of one chunk are looked at. An honest table has one or two; one
// that was forged to have millions must not take hours.
const MostSaid = 64

// also notes an identity of a chunk, unless it was said before.
func (s *Said) also(n uint32, id crypt.Identity) {
	if int(n) >= len(s.IDs) || s.IDs[n] == id || len(s.Others[n]) >= MostSaid || slices.Contains(s.Others[n], id) {
		return
	}
	if s.Others == nil {
		s.Others = make(map[uint32][]crypt.Identity)
	}
	s.Others[n] = append(s.Others[n], id)
}

// hasFormer tells whether a record says what was said formerly.
func hasFormer(rec *format.SlabRecord) bool {
	return slices.ContainsFunc(rec.Frames, func(f format.TableFrame) bool { return len(f.Former) > 0 })
}

// ChunkOf gives the identity and the length of a chunk, where they are known.
type ChunkOf func(slab format.SlabID, chunk uint32) (id crypt.Identity, length uint32, ok bool)

// Fits tells whether a recipe's digest is that of its runs, by what of says of their
// chunks. No content is read.
func (r *Stock) Fits(ctx context.Context, recipe *format.Recipe, runs fetch.Runs, of ChunkOf) (bool, error) {
	digest := crypt.NewDigestHasher()
	chunks, bytes := uint64(0), uint64(0)
	for run, err := range runs {
		if err != nil {
			return false, err
		}
		if chunks += run.Len(); chunks > recipe.Chunks {
			return false, nil
		}
		ok, err := addSaid(ctx, digest, run, of, &bytes)
		if err != nil || !ok {
			return false, err
		}
	}
	return chunks == recipe.Chunks && bytes == recipe.Bytes && digest.Sum() == recipe.Digest, nil
}

// addStep is how many chunks are hashed between two looks at the context: some milliseconds of work.
const addStep = 1 << 18

// addSaid adds a run to a digest, by what of says. A chunk that comes again is asked for once: a file of zeros has millions.
func addSaid(ctx context.Context, digest *crypt.DigestHasher, run format.Run, of ChunkOf, bytes *uint64) (bool, error) {
	for n := range run.Count {
		id, length, ok := of(run.Slab, run.First+n)
		if !ok {
			return false, nil
		}
		for left := uint64(run.Times); left > 0; left -= min(left, addStep) {
			if ctx.Err() != nil {
				return false, context.Cause(ctx)
			}
			digest.AddTimes(id, int(length), min(left, addStep))
			*bytes += uint64(length) * min(left, addStep)
		}
	}
	return true, nil
}

// ErrDenied is returned for a chunk that is to be moved and is not what tables say: what
// they say is what captures that relied on it are healed by, and would be lost.
var ErrDenied = fmt.Errorf("%w: it holds other chunks than a table says, and stays", format.ErrDamaged)

// Deny tells whether something was said of a chunk that is not so.
func (s *Said) Deny(n uint32, id crypt.Identity) bool {
	return s != nil && int(n) < len(s.IDs) && (s.IDs[n] != id || len(s.Others[n]) > 0)
}

// alsoSaid gives a record with what another one of the same slab says of its chunks.
func alsoSaid(rec, other *format.SlabRecord) *format.SlabRecord {
	all := *rec
	all.Frames = slices.Clone(rec.Frames)
	for i := range all.Frames {
		f := &all.Frames[i]
		if i >= len(other.Frames) || !slices.Equal(f.Chunks, other.Frames[i].Chunks) {
			continue
		}
		ids := make(map[int][]crypt.Identity)
		add := func(c int, id crypt.Identity) {
			if id != f.ID(c) && !slices.Contains(ids[c], id) {
				ids[c] = append(ids[c], id)
			}
		}
		for c := range f.Chunks {
			add(c, other.Frames[i].ID(c))
		}
		for _, from := range []*format.TableFrame{f, &other.Frames[i]} {
			for c, id := range from.FormerIDs() {
				add(c, id)
			}
		}
		f.Former = nil
		for _, c := range slices.Sorted(maps.Keys(ids)) {
			for _, id := range ids[c] {
				f.Former = format.AppendFormer(f.Former, c, id)
			}
		}
	}
	return &all
}

// SameRecord tells whether two records say the same of the chunks of a slab, and of what its frames stand on.
func SameRecord(a, b *format.SlabRecord) bool {
	return slices.EqualFunc(a.Frames, b.Frames, func(a, b format.TableFrame) bool {
		return slices.Equal(a.Chunks, b.Chunks) && a.SameAs(&b.Standing) && string(a.IDs) == string(b.IDs) && string(a.Former) == string(b.Former)
	})
}

// IdentitiesOf gives the identities of all chunks of a slab in order, as its record has them.
func IdentitiesOf(rec *format.SlabRecord) (ids []crypt.Identity) {
	for i := range rec.Frames {
		for c := range rec.Frames[i].Chunks {
			ids = append(ids, rec.Frames[i].ID(c))
		}
	}
	return ids
}
