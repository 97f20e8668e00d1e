package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/replicate"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
)

// AgainstOptions say how two places are compared.
type AgainstOptions struct {
	// Full reads every slab that is in both places, and opens all of it. Without it slabs are
	// compared by their lengths, their tables and trailers, and no frame is read.
	Full bool

	// Progress, if set, is called now and then, by one goroutine at a time: with the bytes of the slabs
	// that are in both places, counted in each of the two.
	Progress func(Progress)
}

// Against is how two places of a repository differ.
type Against struct {
	Both   int      `json:"in_both"` // captures with the same hash
	Here   []string `json:"only_here"`
	There  []string `json:"only_there"`
	Differ []string `json:"differ"` // captures that are in both under one id, with other hashes

	Slabs  int              `json:"slabs"`  // that are in both places, and were compared
	Unlike []UnlikeInPlaces `json:"unlike"` // what is damaged in one of the two, or in both
}

// Same tells whether what is in both places is the same, as far as it was read. Captures that one has alone are no
// difference in that.
func (a *Against) Same() bool { return len(a.Differ)+len(a.Unlike) == 0 }

// UnlikeInPlaces is an object of both places that is damaged in one of them, or in both, or has other bytes; or a slab that
// a capture of both places needs, and that is not there in one of them, or in both.
type UnlikeInPlaces struct {
	Object string `json:"object"`
	Here   string `json:"here"` // what is wrong with it here; "" if nothing
	There  string `json:"there"`
}

// VerifyAgainst compares this place of a repository with another one: which captures are in both, by their hashes, and
// whether what is in both is the same; of these captures, no place lacks a slab that they need in it. It writes nothing in
// either. Of what a mark says that it is harmed, the frames are read in any case. Captures that come or go meanwhile
// may be told of either way. To find damage that no other place shows, verify each.
//
// It fails with [ErrNotReplica] and [ErrSamePlace], and with what a storage says.
func (r *Repository) VerifyAgainst(ctx context.Context, other *Repository, o AgainstOptions) (out *Against, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	if other == nil {
		return nil, fmt.Errorf("no repository to compare with: %w", ErrForeign)
	}
	st, err := r.otherStock(other)
	if err != nil {
		return nil, err
	}
	here, err := r.stock.Afresh()
	if err != nil {
		return nil, err
	}
	defer here.Vault().Slabs().Close()
	there, err := st.Afresh()
	if err != nil {
		return nil, err
	}
	defer there.Vault().Slabs().Close()
	c := &placesCompared{here: here, there: there, full: o.Full, meter: g.meter("AgainstOptions.Progress", o.Progress), highest: make(map[*stock.Stock]map[string]int), marked: make(map[*stock.Stock]ledger.HarmedPlaces), out: &Against{Here: []string{}, There: []string{}, Differ: []string{}, Unlike: []UnlikeInPlaces{}}}
	if err := c.captures(ctx); err != nil {
		return nil, err
	}
	return c.out, c.slabs(ctx)
}

type placesCompared struct {
	here, there *stock.Stock
	full        bool
	meter       *vault.Meter
	out         *Against

	bothHere, bothThere []*ledger.Capture               // with the same hash
	highest             map[*stock.Stock]map[string]int // generations, when captures were read
	marked              map[*stock.Stock]ledger.HarmedPlaces
}

// unlike notes an object that is damaged in a place; nil stands for one that is whole there.
func (c *placesCompared) unlike(object string, here, there error) {
	u := UnlikeInPlaces{Object: object}
	if here != nil {
		u.Here = vault.ProblemOf(object, here)
	}
	if there != nil {
		u.There = vault.ProblemOf(object, there)
	}
	c.out.Unlike = append(c.out.Unlike, u)
}

// read gives the captures of a place, and the objects of those that can't be read.
func (c *placesCompared) read(ctx context.Context, s *stock.Stock) (map[string]*ledger.Capture, map[string]error, error) {
	files, err := s.Ledger().ListCaptures(ctx)
	if err != nil {
		return nil, nil, err
	}
	c.highest[s] = ledger.HighestGenerations(files)
	all, damage, _, err := s.Ledger().Read(ctx, ledger.Generations(files))
	going, failed := s.Ledger().ReadStages(ctx, names.Harmed)
	if failed != nil {
		return nil, nil, failed
	}
	c.marked[s] = going.Harmed()
	captures, unread := make(map[string]*ledger.Capture), make(map[string]error)
	for _, one := range all {
		captures[one.ID] = one
	}
	for _, err := range damage {
		var object *vault.ObjectError
		if !errors.As(err, &object) {
			continue
		}
		unread[object.Object] = err
	}
	return captures, unread, err
}

func (c *placesCompared) captures(ctx context.Context) error {
	here, badHere, err := c.read(ctx, c.here)
	if err != nil {
		return err
	}
	there, badThere, err := c.read(ctx, c.there)
	if err != nil {
		return err
	}
	for object, err := range badHere {
		c.unlike(object, err, badThere[object])
	}
	for object, err := range badThere {
		if badHere[object] == nil {
			c.unlike(object, nil, err)
		}
	}
	for id, a := range here {
		switch b := there[id]; {
		case b == nil:
			c.out.Here = append(c.out.Here, id)
		case a.Hash() != b.Hash():
			c.out.Differ = append(c.out.Differ, id)
		default:
			c.out.Both++
			c.bothHere, c.bothThere = append(c.bothHere, a), append(c.bothThere, b)
		}
	}
	for id := range there {
		if here[id] == nil {
			c.out.There = append(c.out.There, id)
		}
	}
	for _, ids := range [][]string{c.out.Here, c.out.There, c.out.Differ} {
		slices.Sort(ids)
	}
	return nil
}

// slabs compares the slabs that have one name in both places.
func (c *placesCompared) slabs(ctx context.Context) error {
	here, err := c.here.Vault().ListSlabs(ctx)
	if err != nil {
		return err
	}
	there, err := c.there.Vault().ListSlabs(ctx)
	if err != nil {
		return err
	}
	if err := c.lacking(ctx, here, there); err != nil {
		return err
	}
	sizes := make(map[format.SlabID]int64) // in both places
	for _, s := range here {
		if length, ok := there.Length(s.ID); ok {
			sizes[s.ID] = s.Size + length
			c.meter.Expect(s.Size + length)
		}
	}
	for _, s := range here {
		size, ok := sizes[s.ID]
		if !ok {
			continue
		}
		c.out.Slabs++
		if err := c.slab(ctx, s.ID); err != nil {
			return err
		}
		c.meter.Add(size, false)
	}
	c.meter.Done()
	slices.SortFunc(c.out.Unlike, func(a, b UnlikeInPlaces) int { return bytes.Compare([]byte(a.Object), []byte(b.Object)) })
	return nil
}

// lacking notes the slabs that captures of both places need in a place and that are not there.
func (c *placesCompared) lacking(ctx context.Context, here, there vault.SlabList) error {
	lackHere, err := c.lackingIn(ctx, c.here, c.there, here, c.bothHere)
	if err != nil {
		return err
	}
	lackThere, err := c.lackingIn(ctx, c.there, c.here, there, c.bothThere)
	if err != nil {
		return err
	}
	for id, err := range lackHere {
		c.unlike(names.Slab(id), err, lackThere[id])
	}
	for id, err := range lackThere {
		if lackHere[id] == nil {
			c.unlike(names.Slab(id), nil, err)
		}
	}
	return nil
}

// mostNamed is how many captures a text names that lack a slab.
const mostNamed = 3

// lackingIn gives the slabs that captures lack in a place. Those that went or were moved since they were read lack nothing.
func (c *placesCompared) lackingIn(ctx context.Context, at, other *stock.Stock, list vault.SlabList, captures []*ledger.Capture) (map[format.SlabID]error, error) {
	all, err := replicate.Lacking(ctx, at, other, list, nil, captures, true)
	if err != nil || len(all) == 0 {
		return nil, err
	}
	files, err := at.Ledger().ListCaptures(ctx)
	if err != nil {
		return nil, err
	}
	highest, read := ledger.HighestGenerations(files), c.highest[at]
	lacked := make(map[format.SlabID]error)
	for id, lacking := range all {
		lacking = slices.DeleteFunc(lacking, func(capture string) bool {
			now, there := highest[capture]
			return !there || now != read[capture]
		})
		if len(lacking) > 0 {
			lacked[id] = fmt.Errorf("%w: it is not there, and is needed by %s", format.ErrDamaged, names.Shortened(lacking, mostNamed))
		}
	}
	return lacked, nil
}

var errOtherBytes = fmt.Errorf("%w: it is whole in both places, and not the same", format.ErrDamaged)

// slab compares one slab. What is whole by its seals is what somebody with the key put under that name.
func (c *placesCompared) slab(ctx context.Context, id format.SlabID) error {
	a, badA, err := c.open(ctx, c.here, id)
	if err != nil {
		return err
	}
	b, badB, err := c.open(ctx, c.there, id)
	if err != nil {
		return err
	}
	if badA == nil && badB == nil && !sameSlab(a, b) {
		badA, badB = errOtherBytes, errOtherBytes
	}
	if badA != nil || badB != nil {
		c.unlike(names.Slab(id), badA, badB)
	}
	return nil
}

// open gives what a slab says of itself, and with its frames' identities if all of it is read; or the damage that it has.
func (c *placesCompared) open(ctx context.Context, s *stock.Stock, id format.SlabID) (rec *format.SlabRecord, damage, err error) {
	if c.full {
		whole, err := s.Vault().Slabs().Copy(ctx, id)
		if err == nil {
			_, err = io.Copy(io.Discard, whole)
		}
		if err != nil {
			return nil, orNil(err), orFailed(err)
		}
		return whole.Record(), nil, nil
	}
	slab, err := s.Vault().Slabs().Open(ctx, id)
	if err != nil {
		return nil, orNil(err), orFailed(err)
	}
	if err := c.openMarked(ctx, s, slab); err != nil {
		return nil, orNil(err), orFailed(err)
	}
	return recordOf(slab), nil, nil
}

// openMarked opens the frames of a slab of which a mark of its place says that they are harmed.
func (c *placesCompared) openMarked(ctx context.Context, s *stock.Stock, slab *fetch.Slab) error {
	var frames []int
	for i := range slab.Frames {
		if c.marked[s].Names(slab.ID, uint32(i)) {
			frames = append(frames, i)
		}
	}
	return s.Vault().Slabs().IdentifyFrames(ctx, slab, frames, func(_ int, _ []crypt.Identity, err error) error { return err })
}

func recordOf(slab *fetch.Slab) *format.SlabRecord {
	rec := &format.SlabRecord{Slab: slab.ID, Length: uint64(slab.Length), Group: slab.Group}
	for _, f := range slab.Frames {
		rec.Frames = append(rec.Frames, f.Listed())
	}
	return rec
}

// orNil gives damage, and orFailed any other error.
func orNil(err error) error {
	if vault.IsDamage(err) {
		return err
	}
	return nil
}

func orFailed(err error) error {
	if vault.IsDamage(err) {
		return nil
	}
	return err
}

func sameSlab(a, b *format.SlabRecord) bool {
	return a.Length == b.Length && bytes.Equal(a.Group, b.Group) && slices.EqualFunc(a.Frames, b.Frames, func(a, b format.TableFrame) bool {
		return a.Kind == b.Kind && a.Sealed == b.Sealed && slices.Equal(a.Chunks, b.Chunks) && bytes.Equal(a.IDs, b.IDs)
	})
}
