package store

import (
	"bufio"
	"errors"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/vault"
)

// weaver weaves streams: it takes in lists and runs, and makes recipes of what was taken
// in. Whoever captures, moves or heals has one.
type weaver struct {
	intake  *intake.Intake
	params  chunk.Params
	entries *format.EntryEncoder
	meter   *vault.Meter
	uses    map[format.SlabID]bool // slabs that the recipes name
}

func newWeaver(params chunk.Params, meter *vault.Meter) *weaver {
	return &weaver{params: params, entries: format.NewEntryEncoder(), meter: meter, uses: make(map[format.SlabID]bool)}
}

// strands are the streams of a volume.
type strands struct {
	list, stamps, contents *intake.Stream

	states *intake.Stream // of a folder; else nil
	before *format.Recipe // of contents that may be the same; or nil
}

func (w *weaver) newStrands() strands {
	return strands{
		list: w.intake.Stream(intake.Listing), stamps: w.intake.Stream(intake.Listing),
		contents: w.intake.Stream(intake.Contents),
	}
}

// writeRecipes fills in the recipes of a volume.
func (w *weaver) writeRecipes(record *format.Volume, t *strands) error {
	list, err := w.recipe(t.list)
	if err != nil {
		return err
	}
	record.MemberList = list
	if record.Stamps, err = w.optionalRecipe(t.stamps); err != nil {
		return err
	}
	if record.Contents, err = w.contentsRecipe(t); err != nil {
		return err
	}
	record.States, err = w.optionalRecipe(t.states)
	return err
}

// contentsRecipe gives the recipe of a volume's contents.
func (w *weaver) contentsRecipe(t *strands) (*format.Recipe, error) {
	same := t.contents.Summary()
	if b := t.before; b == nil || b.Chunks == 0 || b.Chunks != same.Chunks || b.Bytes != same.Bytes || b.Digest != same.Digest {
		return w.optionalRecipe(t.contents)
	}
	return t.before, t.contents.Runs(func(run format.Run) error {
		w.use(run)
		return nil
	})
}

// optionalRecipe gives the recipe of a stream, or nil for none or an empty one.
func (w *weaver) optionalRecipe(stream *intake.Stream) (*format.Recipe, error) {
	if stream == nil || stream.Empty() {
		return nil, nil
	}
	r, err := w.recipe(stream)
	return &r, err
}

// recipe gives the recipe of a stream.
func (w *weaver) recipe(stream *intake.Stream) (format.Recipe, error) {
	return w.putRecipe(stream.Summary(), stream.Runs)
}

// runSource calls yield for each run of a stream, in order, until yield fails.
type runSource func(yield func(format.Run) error) error

// putRecipe completes a recipe by its runs. Many runs are put into a stream of
// its own, and so on, until few are left.
func (w *weaver) putRecipe(r format.Recipe, source runSource) (format.Recipe, error) {
	for r.Level = 0; ; r.Level++ {
		runs, err := firstRuns(source)
		if err != nil {
			return r, err
		}
		if len(runs) <= format.MaxInlineRuns {
			r.Runs = runs
			w.use(runs...)
			return r, nil
		}
		stream, err := w.putRuns(source)
		if err != nil {
			return r, err
		}
		source = stream.Runs
	}
}

// use notes that a recipe names slabs.
func (w *weaver) use(runs ...format.Run) {
	for _, run := range runs {
		w.uses[run.Slab] = true
	}
}

var errEnough = errors.New("enough")

// firstRuns gives the runs of a source, or the first MaxInlineRuns+1 of them.
func firstRuns(source runSource) (runs []format.Run, err error) {
	err = source(func(run format.Run) error {
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
func (w *weaver) putRuns(source runSource) (*intake.Stream, error) {
	out := w.intake.Stream(intake.Listing)
	cut, err := w.listWriter(out)
	if err != nil {
		return nil, err
	}
	encoder, gathered := format.NewRunEncoder(), bufio.NewWriterSize(cut, 32<<10)
	err = source(func(run format.Run) error {
		w.use(run)
		_, err := gathered.Write(encoder.Encode(run))
		return err
	})
	if err := errors.Join(err, gathered.Flush(), cut.Close()); err != nil {
		return nil, err
	}
	return out, w.intake.Settle()
}

// listWriter cuts what is written to it into chunks of a stream.
func (w *weaver) listWriter(stream *intake.Stream) (*chunk.Writer, error) {
	return chunk.NewWriter(w.params, func(c []byte) error {
		buf, err := w.intake.Reserve()
		if err != nil {
			return err
		}
		w.intake.Put(stream, copy(buf, c))
		return nil
	})
}
