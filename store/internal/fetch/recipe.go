package fetch

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// Runs gives the runs of the stream that a recipe rebuilds, whatever its
// level.
func (s *Slabs) Runs(ctx context.Context, recipe *format.Recipe) Runs {
	runs := Inline(recipe.Runs)
	for range recipe.Level {
		runs = s.Nested(ctx, runs)
	}
	return runs
}

// Inline gives runs that are at hand.
func Inline(runs []format.Run) Runs {
	return func(yield func(format.Run, error) bool) {
		for _, run := range runs {
			if !yield(run, nil) {
				return
			}
		}
	}
}

// nestedAhead is how much of a recipe is read ahead: little of it says much, and a forged one has several levels, each with a
// reader of its own.
const nestedAhead = 4

// Nested gives the runs that are held by the stream that outer names.
func (s *Slabs) Nested(ctx context.Context, outer Runs) Runs {
	return func(yield func(format.Run, error) bool) {
		r := s.ReadWith(ctx, outer, ReadOptions{Most: nestedAhead})
		defer r.Close()
		for runs := format.NewRunReader(Bytes(r.Next)); ; {
			run, err := runs.Next()
			if errors.Is(err, io.EOF) {
				return
			}
			if !yield(run, err) || err != nil {
				return
			}
		}
	}
}

// Stream reads the whole stream that a recipe rebuilds. In place of io.EOF it
// reports a stream that is not the one that was captured. It is for one
// goroutine, and must be closed.
type Stream struct {
	r      *Reader
	cancel context.CancelFunc // of the reading of nested recipes, too
	recipe *format.Recipe
	digest *crypt.DigestHasher // nil: not compared
	chunks uint64
	bytes  uint64
}

// Stream begins to read the stream that a recipe rebuilds.
func (s *Slabs) Stream(ctx context.Context, recipe *format.Recipe) *Stream {
	return s.StreamWith(ctx, recipe, ReadOptions{})
}

// StreamWith is Stream with options. Without identities no digest is compared,
// only the length of the stream and the number of its chunks: it is for who
// compares another hash of the whole.
func (s *Slabs) StreamWith(ctx context.Context, recipe *format.Recipe, o ReadOptions) *Stream {
	ctx, cancel := context.WithCancel(ctx)
	st := &Stream{r: s.ReadWith(ctx, s.Runs(ctx, recipe), o), cancel: cancel, recipe: recipe}
	if !o.NoIdentities {
		st.digest = crypt.NewDigestHasher()
	}
	return st
}

// Close ends the reading, and waits until it has ended.
func (s *Stream) Close() error {
	s.cancel()
	return s.r.Close()
}

// Next gives the next chunk, or io.EOF after the last.
func (s *Stream) Next() (Chunk, error) {
	return firstOf(s.NextBlock(1))
}

// NextBlock gives at least one of the next chunks and at most the given number, one that
// comes again counted so often, or io.EOF after the last.
func (s *Stream) NextBlock(most uint64) (Block, error) {
	b, err := s.r.NextBlock(most)
	if err == io.EOF {
		return b, s.check()
	}
	if err != nil {
		return b, err
	}
	s.chunks += uint64(len(b.Lengths)) * b.Times
	s.bytes += uint64(len(b.Data)) * b.Times // of neither more than 2^32, so often
	if s.bytes > s.recipe.Bytes {
		return Block{}, errOtherStream
	}
	return b, s.addDigest(b)
}

// digestStep is how often a chunk is hashed again between two looks at the context: some
// milliseconds of work.
const digestStep = 1 << 20

// addDigest adds the chunks of a block to the digest, if that is compared.
func (s *Stream) addDigest(b Block) error {
	if s.digest == nil {
		return nil
	}
	if b.Times == 1 {
		for i, id := range b.IDs {
			s.digest.Add(id, int(b.Lengths[i]))
		}
		return nil
	}
	for left := b.Times; left > 0; left -= min(left, digestStep) {
		if s.r.ctx.Err() != nil {
			return context.Cause(s.r.ctx)
		}
		s.digest.AddTimes(b.IDs[0], int(b.Lengths[0]), min(left, digestStep))
	}
	return nil
}

var errOtherStream = fmt.Errorf("%w: the stream that was rebuilt is not the one that was captured", format.ErrDamaged)

func (s *Stream) check() error {
	if s.chunks != s.recipe.Chunks || s.bytes != s.recipe.Bytes {
		return errOtherStream
	}
	if s.digest != nil && s.digest.Sum() != s.recipe.Digest {
		return errOtherStream
	}
	return io.EOF
}

// Bytes gives the chunks that next gives as one stream of bytes.
func Bytes(next func() (Chunk, error)) io.Reader { return &byteReader{next: next} }

type byteReader struct {
	next func() (Chunk, error)
	rest []byte
}

func (b *byteReader) Read(p []byte) (int, error) {
	for len(b.rest) == 0 {
		c, err := b.next()
		if err != nil {
			return 0, err
		}
		b.rest = c.Data
	}
	n := copy(p, b.rest)
	b.rest = b.rest[n:]
	return n, nil
}
