package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// VerifyOptions say how much is verified.
type VerifyOptions struct {
	// Captures restricts it to these ids; none means all captures, and all
	// objects of the repository.
	Captures []string
	// Full opens every frame, and rebuilds the digest of every capture from
	// what the frames hold. Without it, and without Sample, no frame is opened for
	// its own sake: all index files and tables are, and of every slab the header
	// and its own table, so that what is missing or cut short shows.
	Full bool
	// Sample opens that share of the frames, chosen at random: 0 to 1.
	Sample float64
	// Head are texts of Repository.Head, from then on: each capture that they name must be
	// there as it was, or have been removed on purpose. It goes without Captures.
	Head []string
	// Progress, if set, is called now and then, by one goroutine at a time.
	Progress func(Progress)
}

// Report is what Verify found.
type Report struct {
	OK       bool     `json:"ok"` // no damage
	Captures int      `json:"captures"`
	Checked  int64    `json:"checked_bytes"` // of objects that were opened
	Damage   []Damage `json:"damage"`
	Notes    []string `json:"notes,omitempty"` // what is no damage, and worth knowing
}

// Damage is one thing that is missing or is not what was written.
type Damage struct {
	Object   string   `json:"object"`
	Problem  string   `json:"problem"`
	Captures []string `json:"captures"` // ids of those that it harms
	Members  []Harmed `json:"members"`  // the first maxHarmed of them
	More     int      `json:"more_members,omitempty"`
}

// Harmed names a member that can't be restored as captured.
type Harmed struct {
	Capture string `json:"capture"`
	Volume  string `json:"volume"`
	Path    string `json:"path"` // "" where the member list itself is harmed, and so all of the volume
}

// Verify finds out whether everything is there and unharmed. It lists every
// fault, writes nothing, and fails only where it can't go on: damage is in the
// report. ErrNotFound is returned for a capture that isn't there.
func (r *Repository) Verify(ctx context.Context, o VerifyOptions) (report *Report, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(); err != nil {
		return nil, err
	}
	if o.Sample < 0 || o.Sample > 1 {
		return nil, fmt.Errorf("%w: a sample of %v: it is a share from 0 to 1", ErrBadOptions, o.Sample)
	}
	if _, err := parseHeads(o.Head); err != nil {
		return nil, err
	}
	if len(o.Head) > 0 && len(o.Captures) > 0 {
		return nil, fmt.Errorf("%w: a head is about all captures, and some are named", ErrBadOptions)
	}
	for tries := 1; ; tries++ {
		v, err := r.verifyOnce(ctx, o)
		if err != nil {
			return nil, err
		}
		if v.report.OK || tries == reverifies {
			return v.report, nil
		}
		if changed, err := v.changed(ctx); err != nil || !changed {
			return v.report, err
		}
		// Space was reclaimed meanwhile: what was found may be what was moved.
	}
}

// reverifies is how often all is verified if space is reclaimed meanwhile, each time.
const reverifies = 10

func (r *Repository) verifyOnce(ctx context.Context, o VerifyOptions) (*verifier, error) {
	r, err := r.afresh()
	if err != nil {
		return nil, err
	}
	defer r.slabs.Close()
	v := &verifier{r: r, o: o, report: &Report{Damage: []Damage{}}, slabs: make(map[format.SlabID]*slabState), lists: make(map[listKey]bool), wrong: make(map[string]harmKind), meter: newMeter(o.Progress)}
	steps := []func(context.Context) error{
		v.readManifest, v.readSlots, v.readObjects, v.readMarks, v.readTables, v.readRivals, v.readRecipes, v.readSlabs, v.checkCaptures, v.checkSeen, v.checkHistory,
	}
	for _, step := range steps {
		if err := step(ctx); err != nil {
			return nil, err
		}
	}
	v.meter.Done()
	v.noteStrangers()
	v.report.OK = len(v.report.Damage) == 0
	slices.SortFunc(v.report.Damage, func(a, b Damage) int { return cmp.Compare(a.Object, b.Object) })
	return v, nil
}

// afresh gives the repository without anything that was read before, and without
// copies on this machine.
func (r *Repository) afresh() (*Repository, error) {
	s, err := r.stock.Afresh()
	if err != nil {
		return nil, err
	}
	return over(s), nil
}

// verifier is one run of Verify.
type verifier struct {
	r         *Repository
	o         VerifyOptions
	report    *Report
	files     []storage.Info // index files of all captures
	captures  []*ledger.Capture
	gone      ledger.Departures // captures that reclaiming removed
	badMarks  []string          // names of marks that can't be read
	stand     *ledger.Standing
	unlisted  []format.SlabID // slabs that no table lists
	strangers int             // files that are no objects of kist
	listed    []storage.Info  // in the folder of slabs
	there     vault.SlabList  // of those
	slabs     map[format.SlabID]*slabState
	lists     map[listKey]bool    // that were decoded
	wrong     map[string]harmKind // by recipe: streams that are not those that were captured
	meter     *vault.Meter
}

// slabState is what is known of a slab.
type slabState struct {
	wanted bool // by a capture that is verified, or all are
	record *format.SlabRecord
	bad    map[int]error // frames; -1: the slab as a whole
	worn   bool          // one copy of its trailer is harmed
	lens   []uint32      // lengths of its chunks, as its own table says
	ids    []crypt.Identity

	rivals   []*format.SlabRecord // of tables that say something else than record
	disputed disputed
}

func (v *verifier) state(id format.SlabID) *slabState {
	s, ok := v.slabs[id]
	if !ok {
		s = &slabState{bad: make(map[int]error)}
		v.slabs[id] = s
	}
	return s
}

func (v *verifier) damage(object string, err error) {
	v.report.Damage = append(v.report.Damage, newDamage(object, err))
}

func newDamage(object string, err error) Damage {
	// The object is named already.
	problem := strings.TrimPrefix(err.Error(), object+": ")
	return Damage{Object: object, Problem: problem, Captures: []string{}, Members: []Harmed{}}
}

// readObjects reads the index files and lists the slabs.
func (v *verifier) readObjects(ctx context.Context) (err error) {
	if v.files, err = v.r.storage.List(ctx, names.Captures); err != nil {
		return err
	}
	for _, info := range v.files {
		switch _, _, err := names.ParseCapture(info.Name); {
		case err != nil:
			v.foreign(info.Name)
		case ledger.IsTorn(info):
			v.damage(info.Name, fmt.Errorf("%w: %d bytes: cut short when it was written, before there was a capture, or later; no capture is listed, and repairing removes the file", ErrDamaged, info.Size))
		}
	}
	all := slices.DeleteFunc(ledger.Generations(v.files), func(files []ledger.File) bool { return !v.covers(files[0].Info.Name) })
	if err := v.checkFound(all); err != nil {
		return err
	}
	captures, damage, _, err := v.r.ledger.Read(ctx, all)
	if err != nil {
		return err
	}
	for _, err := range damage {
		v.damage(objectOf(err), err)
	}
	v.captures = captures
	v.report.Captures = len(captures)
	if err := v.readSuperseded(ctx, all); err != nil {
		return err
	}
	infos, err := v.r.storage.List(ctx, names.Slabs)
	v.there = vault.SlabsAmong(infos)
	v.listed = infos
	return err
}

func (v *verifier) covers(name string) bool {
	id, _, err := names.ParseCapture(name)
	return err == nil && (len(v.o.Captures) == 0 || slices.Contains(v.o.Captures, id))
}

// readSuperseded reads the index files in whose place others have come.
func (v *verifier) readSuperseded(ctx context.Context, all [][]ledger.File) error {
	counts := make(map[string]int)
	for _, c := range v.captures {
		counts[c.ID] = c.Generation
	}
	for _, files := range all {
		for _, f := range files {
			v.report.Checked += f.Info.Size
			id, _, _ := names.ParseCapture(f.Info.Name)
			if g, ok := counts[id]; !ok || f.Generation >= g {
				continue // read before
			}
			_, err := v.r.ledger.ReadIndexFile(ctx, f.Info)
			switch {
			case vault.IsDamage(err):
				v.damage(f.Info.Name, fmt.Errorf("%w; a later generation counts, and no capture is harmed", err))
			case err != nil && !errors.Is(err, storage.ErrNotFound):
				return err
			}
		}
	}
	return nil
}

func (v *verifier) checkFound(all [][]ledger.File) error {
	for _, id := range v.o.Captures {
		if !slices.ContainsFunc(all, func(files []ledger.File) bool {
			got, _, _ := names.ParseCapture(files[0].Info.Name)
			return got == id
		}) {
			return fmt.Errorf("capture %s: %w", id, ErrNotFound)
		}
	}
	return nil
}

// changed tells whether index files have come or gone since they were listed.
func (v *verifier) changed(ctx context.Context) (bool, error) {
	now, err := v.r.storage.List(ctx, names.Captures)
	return !slices.EqualFunc(now, v.files, func(a, b storage.Info) bool { return a.Name == b.Name }), err
}

// readSlots holds the key slots against what was written: reading them forgives white
// space.
func (v *verifier) readSlots(ctx context.Context) error {
	return v.r.vault.CheckSlots(ctx, func(id crypt.SlotID, err error) { v.damage(names.KeySlot(string(id)), err) })
}

// readManifest does the same for kist.json.
func (v *verifier) readManifest(ctx context.Context) error {
	err := v.r.vault.CheckManifest(ctx)
	if errors.Is(err, ErrNoRepository) || vault.IsDamage(err) {
		v.damage(names.Manifest, err)
		return nil
	}
	return err
}
