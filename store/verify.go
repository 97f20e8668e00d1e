package store

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// VerifyOptions say how much is verified.
type VerifyOptions struct {
	// Captures restricts it to these ids; none means all captures, and all
	// objects of the repository.
	Captures []string
	// Full opens every frame, and rebuilds the digest of every capture from
	// what the frames hold. Without it, and without Sample, every object is
	// looked up, and all index files, tables and member lists are opened.
	Full bool
	// Sample opens that share of the frames, chosen at random: 0 to 1.
	Sample float64
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
func (r *Repository) Verify(ctx context.Context, o VerifyOptions) (*Report, error) {
	if o.Sample < 0 || o.Sample > 1 {
		return nil, fmt.Errorf("%w: a sample of %v: it is a share from 0 to 1", ErrBadOptions, o.Sample)
	}
	r, err := r.afresh()
	if err != nil {
		return nil, err
	}
	defer r.slabs.Close()
	v := &verifier{r: r, o: o, report: &Report{Damage: []Damage{}}, slabs: make(map[format.SlabID]*slabState), meter: newMeter(o.Progress)}
	for _, step := range []func(context.Context) error{v.readManifest, v.readSlots, v.readObjects, v.readTables, v.readRecipes, v.readSlabs, v.checkCaptures} {
		if err := step(ctx); err != nil {
			return nil, err
		}
	}
	v.meter.done()
	v.report.OK = len(v.report.Damage) == 0
	slices.SortFunc(v.report.Damage, func(a, b Damage) int { return cmp.Compare(a.Object, b.Object) })
	return v.report, nil
}

// afresh gives the repository without anything that was read before.
func (r *Repository) afresh() (*Repository, error) {
	slabs, err := fetch.New(r.storage, r.id, r.keys)
	fresh := *r
	fresh.slabs = slabs
	return &fresh, err
}

// verifier is one run of Verify.
type verifier struct {
	r        *Repository
	o        VerifyOptions
	report   *Report
	captures []*Capture
	slabInfo []storage.Info
	slabs    map[format.SlabID]*slabState
	meter    *meter
}

// slabState is what is known of a slab.
type slabState struct {
	wanted bool // by a capture that is verified, or all are
	record *format.SlabRecord
	bad    map[int]error // frames; -1: the slab as a whole
	lens   []uint32      // lengths of its chunks, as its own table says
	ids    []crypt.Identity
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
func (v *verifier) readObjects(ctx context.Context) error {
	infos, err := v.r.storage.List(ctx, names.Captures)
	if err != nil {
		return err
	}
	files := newest(infos)
	if len(v.o.Captures) > 0 {
		files = slices.DeleteFunc(files, func(i storage.Info) bool {
			id, _, _ := names.ParseCapture(i.Name)
			return !slices.Contains(v.o.Captures, id)
		})
	}
	for _, f := range files {
		v.report.Checked += f.Size
	}
	captures, damage, err := v.r.readCaptures(ctx, files)
	if err != nil {
		return err
	}
	for _, err := range damage {
		v.damage(objectOf(err), err)
	}
	v.captures = captures
	v.report.Captures = len(captures)
	if err := v.checkFound(files); err != nil {
		return err
	}
	v.slabInfo, err = v.r.storage.List(ctx, names.Slabs)
	return err
}

func (v *verifier) checkFound(files []storage.Info) error {
	for _, id := range v.o.Captures {
		if !slices.ContainsFunc(files, func(i storage.Info) bool {
			got, _, _ := names.ParseCapture(i.Name)
			return got == id
		}) {
			return fmt.Errorf("capture %s: %w", id, ErrNotFound)
		}
	}
	return nil
}

// readSlots holds the key slots and kist.json against what was written: reading
// them forgives white space.
func (v *verifier) readSlots(ctx context.Context) error {
	documents, err := readSlots(ctx, v.r.storage)
	for _, d := range documents {
		if err := checkSlot(d); err != nil {
			v.damage(names.KeySlot(string(d.ID)), err)
		}
	}
	return err
}

func checkSlot(d crypt.SlotDocument) error {
	s, err := crypt.ParseSlot(d.ID, d.Document)
	if err != nil {
		return err
	}
	written, err := s.Marshal()
	if err == nil && !bytes.Equal(written, d.Document) {
		err = errNotAsWritten
	}
	return err
}

var errNotAsWritten = fmt.Errorf("%w: readable, but not as it was written", ErrDamaged)

func (v *verifier) readManifest(ctx context.Context) error {
	m, err := readManifest(ctx, v.r.storage)
	if err == nil {
		err = m.check(v.r.keys)
	}
	if err == nil && !bytes.Equal(m.encode(), m.raw) {
		err = errNotAsWritten
	}
	if errors.Is(err, ErrNoRepository) || isDamage(err) {
		v.damage(names.Manifest, err)
		return nil
	}
	return err
}

// readTables reads the tables and compares them with the slabs that there are.
func (v *verifier) readTables(ctx context.Context) error {
	tables, err := v.r.storage.List(ctx, names.Tables)
	if err != nil {
		return err
	}
	for _, t := range tables {
		v.report.Checked += t.Size
	}
	stock, err := v.r.takeStock(ctx, v.slabInfo, true, func(rec *format.SlabRecord) error {
		v.state(rec.Slab).record = rec
		return nil
	})
	if err != nil {
		return err
	}
	for _, d := range stock.damage {
		v.damage(d.Object, fmt.Errorf("%w; no capture is harmed, and it can be written anew (RebuildTables, kist repair)", d.Err))
	}
	if n := len(stock.unlisted(v.slabInfo)); n > 0 && len(stock.damage) == 0 {
		v.report.Notes = append(v.report.Notes, fmt.Sprintf("slabs that no table lists: %d, as after an interrupted capture; the next capture finds their chunks", n))
	}
	return nil
}

// readRecipes finds out which slabs the captures want, and lists all others as
// well where everything is verified.
func (v *verifier) readRecipes(ctx context.Context) error {
	for _, c := range v.captures {
		for i := range c.Volumes {
			for _, p := range parts(&c.Volumes[i]) {
				if err := v.readRecipe(ctx, p.recipe); err != nil {
					return err
				}
			}
		}
	}
	if len(v.o.Captures) > 0 {
		return nil
	}
	for _, info := range v.slabInfo {
		id, err := names.ParseSlab(info.Name)
		if err != nil {
			v.report.Notes = append(v.report.Notes, fmt.Sprintf("%s is no object of kist", info.Name))
			continue
		}
		v.state(id).wanted = true
	}
	return nil
}

// part is one of the streams that a volume is kept as.
type part struct {
	recipe *format.Recipe
	use    use
}

// use says what is lost with a part.
type use int

const (
	forAll      use = iota // the member list and its stamps: all of the volume
	forContents            // the contents of members
	forSpeed               // the states: nothing but that files are read again
)

func parts(v *Volume) []part {
	all := []part{{&v.record.MemberList, forAll}}
	if v.record.Stamps != nil {
		all = append(all, part{v.record.Stamps, forAll})
	}
	if v.record.Contents != nil {
		all = append(all, part{v.record.Contents, forContents})
	}
	if v.record.States != nil {
		all = append(all, part{v.record.States, forSpeed})
	}
	return all
}

// readRecipe marks the slabs that a recipe names, those of nested recipes
// among them. What can't be read is left for checkCaptures.
func (v *verifier) readRecipe(ctx context.Context, recipe *format.Recipe) error {
	for level := range recipe.Level + 1 {
		part := format.Recipe{Level: level, Runs: recipe.Runs}
		for run, err := range v.r.slabs.Runs(ctx, &part) {
			if isDamage(err) {
				return nil
			}
			if err != nil {
				return err
			}
			v.state(run.Slab).wanted = true
		}
	}
	return nil
}

// readSlabs opens the slabs that are wanted, and of their frames as many as the
// options say.
func (v *verifier) readSlabs(ctx context.Context) error {
	ids := slices.SortedFunc(maps.Keys(v.slabs), func(a, b format.SlabID) int { return slices.Compare(a[:], b[:]) })
	sizes := make(map[format.SlabID]int64)
	for _, info := range v.slabInfo {
		if id, err := names.ParseSlab(info.Name); err == nil {
			sizes[id] = info.Size
			if v.state(id).wanted {
				v.meter.now.Total += info.Size
			}
		}
	}
	for _, id := range ids {
		s := v.slabs[id]
		if !s.wanted {
			continue
		}
		if err := v.readSlab(ctx, id, s); err != nil {
			return err
		}
		v.meter.add(sizes[id], false)
	}
	return nil
}

func (v *verifier) readSlab(ctx context.Context, id format.SlabID, s *slabState) error {
	slab, err := v.r.slabs.Open(ctx, id)
	if err != nil {
		return s.note(-1, err)
	}
	for i := range slab.Frames {
		s.lens = append(s.lens, slab.Frames[i].Chunks...)
	}
	if slab.Trailers < 2 {
		v.damage(names.Slab(id), fmt.Errorf("%w: one of the two copies of its trailer; no capture is harmed", ErrDamaged))
	}
	if s.record != nil && !sameFrames(s.record, slab) {
		v.damage(names.Slab(id), fmt.Errorf("%w: a table says of it what it does not hold", ErrDamaged))
	}
	if v.o.Full {
		s.ids = make([]crypt.Identity, len(s.lens))
	}
	return v.r.slabs.IdentifyFrames(ctx, slab, v.chooseFrames(slab), func(frame int, ids []crypt.Identity, err error) error {
		if err != nil {
			return s.note(frame, err)
		}
		v.report.Checked += int64(slab.Frames[frame].Sealed)
		if s.ids != nil {
			copy(s.ids[slab.FirstChunk(frame):], ids)
		}
		if s.record != nil && !sameIDs(&s.record.Frames[frame], ids) {
			v.damage(names.Slab(id), fmt.Errorf("%w: frame %d holds other chunks than its table says", ErrDamaged, frame))
		}
		return nil
	})
}

func (v *verifier) chooseFrames(slab *fetch.Slab) []int {
	var frames []int
	for i := range slab.Frames {
		if v.o.Full || rand.Float64() < v.o.Sample {
			frames = append(frames, i)
		}
	}
	return frames
}

// note takes down damage, and gives any other error back.
func (s *slabState) note(frame int, err error) error {
	if !isDamage(err) {
		return err
	}
	s.bad[frame] = err
	return nil
}

func sameFrames(rec *format.SlabRecord, slab *fetch.Slab) bool {
	return slices.EqualFunc(rec.Frames, slab.Frames, func(a format.TableFrame, b format.Frame) bool {
		return a.Kind == b.Kind && a.Sealed == b.Sealed && slices.Equal(a.Chunks, b.Chunks)
	})
}

func sameIDs(f *format.TableFrame, ids []crypt.Identity) bool {
	if len(f.Chunks) != len(ids) {
		return false
	}
	for i, id := range ids {
		if f.ID(i) != id {
			return false
		}
	}
	return true
}

// objectOf gives the name of the object that an error is about.
func objectOf(err error) string {
	var slab *fetch.SlabError
	if errors.As(err, &slab) {
		return names.Slab(slab.Slab)
	}
	var object *ObjectError
	if errors.As(err, &object) {
		return object.Object
	}
	return ""
}
