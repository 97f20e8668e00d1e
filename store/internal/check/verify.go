package check

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Options say how much is verified. They are valid.
type Options struct {
	Captures []string // ids; none: all captures, and all objects
	Full     bool     // every frame is opened
	Sample   float64  // the share of the frames that are
	Head     []string // texts of heads
	Meter    func() *vault.Meter
}

// Report is what was found.
type Report struct {
	OK       bool
	Captures int
	Checked  int64 // bytes of objects that were opened
	Damage   []Damage
	Notes    []string // what is no damage, and worth knowing
}

// Damage is one thing that is missing or is not what was written.
type Damage struct {
	Object   string
	Problem  string
	Captures []string // ids of those that it harms
	Members  []Harmed // the first maxHarmed of them
	More     int
	Standing int  // frames that can't be read for it, as they stand on it
	Mendable bool // what it was is known, from its parity or a second copy: repairing puts it anew

	last Harmed // that was added
}

// Harmed is a member that can't be restored as captured; with an empty path, all of the
// volume.
type Harmed struct{ Capture, Volume, Path string }

// Verify finds out whether everything is there and unharmed.
func (r *Verifier) Verify(ctx context.Context, o Options) (*Report, error) {
	for tries := 1; ; tries++ {
		v, err := r.look(ctx, o)
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

// Findings are what one look at everything found. Whoever mends goes by them.
type Findings struct {
	report   *Report
	Files    []storage.Info // index files of all captures
	Captures []*ledger.Capture
	Gone     ledger.Departures // captures that reclaiming removed
	BadMarks []string          // names of marks that can't be read
	Stand    *ledger.Standing
	There    vault.SlabList
	Slabs    map[format.SlabID]*SlabState
	Mendable []string            // objects that are damaged, and of which it is known what they were
	Wrong    map[string]harmKind // by recipe: streams that are not those that were captured

	Elsewhere ledger.Departures // captures that other places have

	WrongOrders map[string]bool // by recipe: orders that do not say what the member list says
}

// IsDamaged tells whether an object is damaged.
func (f *Findings) IsDamaged(name string) bool {
	return slices.ContainsFunc(f.report.Damage, func(d Damage) bool { return d.Object == name })
}

// OfOpening gives what is damaged of what opens the repository: kist.json and key slots.
func (f *Findings) OfOpening() (found []Damage) {
	for _, d := range f.report.Damage {
		if d.Object == names.Manifest || vault.FolderOf(d.Object) == names.KeySlots {
			found = append(found, d)
		}
	}
	return found
}

// Find looks at everything, and reads it afresh.
func (r *Verifier) Find(ctx context.Context, o Options) (*Findings, error) {
	v, err := r.look(ctx, o)
	if err != nil {
		return nil, err
	}
	return &v.Findings, nil
}

func (r *Verifier) look(ctx context.Context, o Options) (*verifier, error) {
	s, err := r.stock.Afresh()
	if err != nil {
		return nil, err
	}
	fresh := New(s)
	defer fresh.slabs.Close()
	v := &verifier{r: fresh, o: o, lists: make(map[listKey]bool), orders: make(map[orderKey]bool), meter: o.Meter()}
	v.report, v.Slabs, v.Wrong = &Report{Damage: []Damage{}}, make(map[format.SlabID]*SlabState), make(map[string]harmKind)
	v.WrongOrders, v.slows = make(map[string]bool), make(map[badPlace]bool)
	v.causes = make(map[badPlace][]badPlace)
	steps := []func(context.Context) error{
		v.readManifest, v.readSlots, v.checkSpares, v.readObjects, v.readMarks, v.readTables, v.readRivals, v.readRecipes, v.readSlabs, v.spread, v.checkCaptures, v.checkSeen, v.checkHistory,
	}
	for _, step := range steps {
		if err := step(ctx); err != nil {
			return nil, err
		}
	}
	v.meter.Done()
	v.noteUnneeded()
	v.noteMendable()
	v.noteStrangers()
	v.report.OK = len(v.report.Damage) == 0
	slices.SortStableFunc(v.report.Damage, func(a, b Damage) int { return cmp.Compare(a.Object, b.Object) })
	return v, nil
}

// verifier is one run of verify.
type verifier struct {
	Findings
	r         *Verifier
	o         Options
	unlisted  []format.SlabID  // slabs that no table lists
	worn      []string         // objects whose second copy differs
	strangers int              // files that are no objects of kist
	listed    []storage.Info   // in the folder of slabs
	lists     map[listKey]bool // that were decoded
	orders    map[orderKey]bool
	unneeded  vault.SlabList      // no capture names them
	marked    ledger.HarmedPlaces // that marks keep writers from
	going     *ledger.Batches
	causes    map[badPlace][]badPlace // for which places can't be read that are whole themselves
	slows     map[badPlace]bool       // without which captures can be restored, more slowly
	meter     *vault.Meter
}

// SlabState is what is known of a slab.
type SlabState struct {
	wanted   bool // by a capture that is verified, or all are
	record   *format.SlabRecord
	Bad      map[int]error  // frames; -1: the slab as a whole
	Worn     bool           // one copy of its trailer is harmed
	lens     []uint32       // lengths of its chunks, as its own table says
	standing []format.Frame // its frames, where some stand on others
	IDs      []crypt.Identity

	rivals   []*format.SlabRecord // of tables that say something else than record
	Disputed disputed
}

func (v *verifier) state(id format.SlabID) *SlabState {
	s, ok := v.Slabs[id]
	if !ok {
		s = &SlabState{Bad: make(map[int]error)}
		v.Slabs[id] = s
	}
	return s
}

func (v *verifier) damage(object string, err error) {
	v.report.Damage = append(v.report.Damage, newDamage(object, err))
}

func newDamage(object string, err error) Damage {
	// The object is named already.
	return Damage{Object: object, Problem: vault.ProblemOf(object, err), Captures: []string{}, Members: []Harmed{}}
}

// readObjects reads the index files and lists the slabs.
func (v *verifier) readObjects(ctx context.Context) (err error) {
	if v.Files, err = v.r.storage.List(ctx, names.Captures); err != nil {
		return err
	}
	v.r.ledger.Untear(ctx, v.Files)
	for _, info := range v.Files {
		switch _, _, err := names.ParseCapture(info.Name); {
		case err != nil:
			v.foreign(info.Name)
		case ledger.IsTorn(info):
			v.damage(info.Name, fmt.Errorf("%w: %d bytes: cut short when it was written, before there was a capture, or later; no capture is listed, and repairing removes the file", format.ErrDamaged, info.Size))
		}
	}
	all := slices.DeleteFunc(ledger.Generations(v.Files), func(files []ledger.File) bool { return !v.covers(files[0].Info.Name) })
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
	v.Captures = captures
	v.report.Captures = len(captures)
	if err := v.readSuperseded(ctx, all); err != nil {
		return err
	}
	infos, err := v.r.storage.List(ctx, names.Slabs)
	v.There = vault.SlabsAmong(infos)
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
	for _, c := range v.Captures {
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
			return fmt.Errorf("capture %s: %w", id, vault.ErrNotFound)
		}
	}
	return nil
}

// changed tells whether index files have come or gone since they were listed.
func (v *verifier) changed(ctx context.Context) (bool, error) {
	now, err := v.r.storage.List(ctx, names.Captures)
	return !slices.EqualFunc(now, v.Files, func(a, b storage.Info) bool { return a.Name == b.Name }), err
}

// checkSpares holds second copies of small objects against these.
func (v *verifier) checkSpares(ctx context.Context) error {
	if !v.o.Full || len(v.o.Captures) > 0 {
		return nil
	}
	var lacking []string
	err := v.r.vault.CheckSpares(ctx,
		func(object string) { v.worn = append(v.worn, object) },
		func(object string) { lacking = append(lacking, object) })
	if len(lacking) > 0 {
		v.note("second copies that are missing: %d (of %s), as of what was written before parity was on, or where one could not be put; repairing puts them", len(lacking), names.Shortened(lacking, names.Most))
	}
	return err
}

// readSlots holds the key slots against what was written: reading them forgives white
// space.
func (v *verifier) readSlots(ctx context.Context) error {
	return v.r.vault.CheckSlots(ctx, func(id crypt.SlotID, err error) { v.damage(names.KeySlot(string(id)), err) })
}

// readManifest does the same for kist.json.
func (v *verifier) readManifest(ctx context.Context) error {
	err := v.r.vault.CheckManifest(ctx)
	if errors.Is(err, vault.ErrNoRepository) || vault.IsDamage(err) {
		v.damage(names.Manifest, err)
		return nil
	}
	return err
}
