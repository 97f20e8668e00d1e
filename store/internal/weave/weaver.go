package weave

import (
	"bufio"
	"errors"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Weaver weaves streams: it takes in lists and runs, and makes recipes of what was taken
// in. Whoever captures, moves or heals has one.
type Weaver struct {
	Intake  *intake.Intake
	Params  chunk.Params
	Entries *format.EntryEncoder
	Meter   *vault.Meter
	Uses    map[format.SlabID]bool // slabs that the recipes name
}

// NewWeaver gives a weaver that cuts by the repository's parameters; Intake is set before it is used.
func NewWeaver(params chunk.Params, meter *vault.Meter) *Weaver {
	return &Weaver{Params: params, Entries: format.NewEntryEncoder(), Meter: meter, Uses: make(map[format.SlabID]bool)}
}

// Strands are the streams of a volume.
type Strands struct {
	List, Stamps, Contents *intake.Stream

	States *intake.Stream // of a folder; else nil
	Order  *intake.Stream // nil where there is none
	Before *format.Recipe // of contents that may be the same; or nil
}

// NewStrands gives the streams of a volume, still empty.
func (w *Weaver) NewStrands() Strands {
	return Strands{
		List: w.Intake.Stream(intake.Listing), Stamps: w.Intake.Stream(intake.Listing),
		Contents: w.Intake.Stream(intake.Contents),
	}
}

// WriteRecipes fills in the recipes of a volume.
func (w *Weaver) WriteRecipes(record *format.Volume, t *Strands) error {
	list, err := w.Recipe(t.List)
	if err != nil {
		return err
	}
	record.MemberList = list
	if record.Stamps, err = w.OptionalRecipe(t.Stamps); err != nil {
		return err
	}
	if record.Contents, err = w.contentsRecipe(t); err != nil {
		return err
	}
	if record.States, err = w.OptionalRecipe(t.States); err != nil {
		return err
	}
	record.Order, err = w.OptionalRecipe(t.Order)
	return err
}

// NewOrder begins the order of a volume's members. It is sorted where they come in the order of
// their paths.
func (w *Weaver) NewOrder(t *Strands, sorted bool) *OrderWriter {
	t.Order = w.Intake.Stream(intake.Listing)
	return NewOrderWriter(sorted, orderBuffered, func(node []byte) error {
		buf, err := w.Intake.Reserve()
		if err != nil {
			return err
		}
		if len(node) > len(buf) {
			return errTooLong
		}
		w.Intake.Put(t.Order, copy(buf, node))
		return nil
	})
}

// EndOrder ends an order. Where there is none, there is no stream of it.
func (t *Strands) EndOrder(o *OrderWriter) error {
	ok, err := o.Finish()
	if !ok {
		t.Order = nil
	}
	return err
}

// contentsRecipe gives the recipe of a volume's contents.
func (w *Weaver) contentsRecipe(t *Strands) (*format.Recipe, error) {
	same := t.Contents.Summary()
	if b := t.Before; b == nil || b.Chunks == 0 || b.Chunks != same.Chunks || b.Bytes != same.Bytes || b.Digest != same.Digest {
		return w.OptionalRecipe(t.Contents)
	}
	// The same chunks: the recipe before is kept, so that an unchanged volume adds none. Its
	// slabs are noted all the same, as the capture relies on them.
	return t.Before, t.Contents.Runs(func(run format.Run) error {
		w.Use(run)
		return nil
	})
}

// OptionalRecipe gives the recipe of a stream, or nil for none or an empty one.
func (w *Weaver) OptionalRecipe(stream *intake.Stream) (*format.Recipe, error) {
	if stream == nil || stream.Empty() {
		return nil, nil
	}
	r, err := w.Recipe(stream)
	return &r, err
}

// Recipe gives the recipe of a stream.
func (w *Weaver) Recipe(stream *intake.Stream) (format.Recipe, error) {
	return w.PutRecipe(stream.Summary(), stream.Runs)
}

// runSource calls yield for each run of a stream, in order, until yield fails.
type runSource func(yield func(format.Run) error) error

// PutRecipe completes a recipe by its runs. Many runs are put into a stream of
// its own, and so on, until few are left.
func (w *Weaver) PutRecipe(r format.Recipe, source runSource) (format.Recipe, error) {
	for r.Level = 0; ; r.Level++ {
		runs, err := firstRuns(source)
		if err != nil {
			return r, err
		}
		if len(runs) <= format.MaxInlineRuns {
			r.Runs = runs
			w.Use(runs...)
			return r, nil
		}
		// Each level is hundreds of times as short as the one below it.
		stream, err := w.putRuns(source)
		if err != nil {
			return r, err
		}
		source = stream.Runs
	}
}

// Use notes that a recipe names slabs.
func (w *Weaver) Use(runs ...format.Run) {
	for _, run := range runs {
		w.Uses[run.Slab] = true
	}
}

// TakeBases notes, once the intake is closed, what the slabs stand on that the recipes name, by any way: who looks whether
// one of them goes must not miss those. It tells whether one has deltas.
func (w *Weaver) TakeBases() (deltas bool) {
	var all []format.SlabID
	for id := range w.Uses {
		all = append(all, id)
		deltas = deltas || w.Intake.HasDeltas(id)
	}
	for i := 0; i < len(all); i++ {
		for _, base := range w.Intake.Bases(all[i]) {
			if !w.Uses[base] {
				w.Uses[base] = true
				all = append(all, base)
			}
		}
	}
	return deltas
}

// errTooLong is a fault of this package: a node is shorter than the shortest bound of chunks.
var errTooLong = errors.New("a node of an order is longer than a chunk")

var errEnough = errors.New("enough")

// firstRuns gives the runs of a source, or the first MaxInlineRuns+1 of them.
func firstRuns(source runSource) (runs []format.Run, err error) {
	err = source(func(run format.Run) error {
		// One more than fit tells that it takes a level more; the source is run again for that.
		if runs = append(runs, run); len(runs) > format.MaxInlineRuns {
			return errEnough
		}
		return nil
	})
	if err == errEnough {
		err = nil
	}
	return runs, err
}

// putRuns takes in runs as a stream.
func (w *Weaver) putRuns(source runSource) (*intake.Stream, error) {
	out := w.Intake.Stream(intake.Listing)
	cut, err := w.ListWriter(out)
	if err != nil {
		return nil, err
	}
	encoder, gathered := format.NewRunEncoder(), bufio.NewWriterSize(cut, 32<<10)
	err = source(func(run format.Run) error {
		w.Use(run)
		_, err := gathered.Write(encoder.Encode(run))
		return err
	})
	if err := errors.Join(err, gathered.Flush(), cut.Close()); err != nil {
		return nil, err
	}
	// Where its chunks lie is known only once they are in slabs.
	return out, w.Intake.Settle()
}

// ListWriter cuts what is written to it into chunks of a stream.
func (w *Weaver) ListWriter(stream *intake.Stream) (*chunk.Writer, error) {
	return chunk.NewWriter(w.Params, func(c []byte) error {
		buf, err := w.Intake.Reserve()
		if err != nil {
			return err
		}
		w.Intake.Put(stream, copy(buf, c))
		return nil
	})
}
