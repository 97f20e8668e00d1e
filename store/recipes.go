package store

import (
	"bufio"
	"errors"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
)

// writeRecipes fills in the recipes of a volume.
func (s *session) writeRecipes(t *volumeTaken) error {
	list, err := s.recipe(t.list)
	if err != nil {
		return err
	}
	t.record.MemberList = list
	if t.record.Stamps, err = s.optionalRecipe(t.stamps); err != nil {
		return err
	}
	if t.record.Contents, err = s.contentsRecipe(t); err != nil {
		return err
	}
	t.record.States, err = s.optionalRecipe(t.states)
	return err
}

// contentsRecipe gives the recipe of a volume's contents.
func (s *session) contentsRecipe(t *volumeTaken) (*format.Recipe, error) {
	same := t.contents.Summary()
	if b := t.before; b == nil || b.Chunks == 0 || b.Chunks != same.Chunks || b.Bytes != same.Bytes || b.Digest != same.Digest {
		return s.optionalRecipe(t.contents)
	}
	return t.before, t.contents.Runs(func(run format.Run) error {
		s.use(run)
		return nil
	})
}

// optionalRecipe gives the recipe of a stream, or nil for none or an empty one.
func (s *session) optionalRecipe(stream *intake.Stream) (*format.Recipe, error) {
	if stream == nil || stream.Empty() {
		return nil, nil
	}
	r, err := s.recipe(stream)
	return &r, err
}

// recipe gives the recipe of a stream.
func (s *session) recipe(stream *intake.Stream) (format.Recipe, error) {
	return s.putRecipe(stream.Summary(), stream.Runs)
}

// runSource calls yield for each run of a stream, in order, until yield fails.
type runSource func(yield func(format.Run) error) error

// putRecipe completes a recipe by its runs. Many runs are put into a stream of
// its own, and so on, until few are left.
func (s *session) putRecipe(r format.Recipe, source runSource) (format.Recipe, error) {
	for r.Level = 0; ; r.Level++ {
		runs, err := firstRuns(source)
		if err != nil {
			return r, err
		}
		if len(runs) <= format.MaxInlineRuns {
			r.Runs = runs
			s.use(runs...)
			return r, nil
		}
		stream, err := s.putRuns(source)
		if err != nil {
			return r, err
		}
		source = stream.Runs
	}
}

// use notes that a recipe names slabs.
func (s *session) use(runs ...format.Run) {
	for _, run := range runs {
		s.uses[run.Slab] = true
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
func (s *session) putRuns(source runSource) (*intake.Stream, error) {
	out := s.intake.Stream(intake.Listing)
	w, err := s.listWriter(out)
	if err != nil {
		return nil, err
	}
	encoder, gathered := format.NewRunEncoder(), bufio.NewWriterSize(w, 32<<10)
	err = source(func(run format.Run) error {
		s.use(run)
		_, err := gathered.Write(encoder.Encode(run))
		return err
	})
	if err := errors.Join(err, gathered.Flush(), w.Close()); err != nil {
		return nil, err
	}
	return out, s.intake.Settle()
}

// listWriter cuts what is written to it into chunks of a stream.
func (s *session) listWriter(stream *intake.Stream) (*chunk.Writer, error) {
	return chunk.NewWriter(s.params, func(c []byte) error {
		buf, err := s.intake.Reserve()
		if err != nil {
			return err
		}
		s.intake.Put(stream, copy(buf, c))
		return nil
	})
}
