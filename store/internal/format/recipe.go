package format

import (
	"bytes"
	"crypto/rand"
	"encoding/hex"
	"io"
	"strings"

	"github.com/fxamacker/cbor/v2"

	"github.com/kistarchive/kist/crypt"
)

// SlabID is the random identity of a slab.
type SlabID [12]byte

// NewSlabID gives an identity never used before.
func NewSlabID() SlabID {
	var id SlabID
	rand.Read(id[:]) // never fails: crypto/rand ends the process instead
	return id
}

func (id SlabID) String() string { return hex.EncodeToString(id[:]) }

// ParseSlabID is the inverse of SlabID.String.
func ParseSlabID(s string) (SlabID, error) {
	var id SlabID
	if len(s) == hex.EncodedLen(len(id)) && !strings.ContainsAny(s, "ABCDEF") {
		if _, err := hex.Decode(id[:], []byte(s)); err == nil {
			return id, nil
		}
	}
	return SlabID{}, damaged("%q is no slab's name", s)
}

// Run names consecutive chunks of one slab, or one chunk several times.
type Run struct {
	_     struct{} `cbor:",toarray"`
	Slab  SlabID
	First uint32 // number of the first chunk within the slab
	Count uint32
	Times uint32 // 1, or more where Count is 1: so a long stretch of zeros is one run
}

// Len gives the number of chunks that the run stands for.
func (r Run) Len() uint64 { return uint64(r.Count) * uint64(r.Times) }

// MaxInlineRuns is the most runs that a recipe holds itself. A longer one is
// put into a stream of its own, so that an index file stays small however
// scattered the chunks lie.
const MaxInlineRuns = 48

// MaxRecipeLevel bounds how often a recipe can stand for another one.
const MaxRecipeLevel = 6

// Recipe rebuilds a stream. At level 0 its runs name the stream's chunks. At
// level n they name the chunks of a stream that holds the runs of the recipe
// at level n-1, as a CBOR sequence (RFC 8742).
type Recipe struct {
	Level  uint32       `cbor:"1,keyasint"`
	Runs   []Run        `cbor:"2,keyasint"`
	Chunks uint64       `cbor:"3,keyasint"` // of the stream itself, whatever the level
	Bytes  uint64       `cbor:"4,keyasint"`
	Digest crypt.Digest `cbor:"5,keyasint"` // over the chunks' identities and lengths, in order
}

// RunEncoder encodes runs. Its zero value is not usable.
type RunEncoder struct {
	enc cbor.UserBufferEncMode
	out bytes.Buffer
	run Run // encoding it makes no garbage
}

// NewRunEncoder gives an encoder.
func NewRunEncoder() *RunEncoder { return &RunEncoder{enc: newBufferEncoder()} }

// Encode gives the encoding of r, as it stands in a stream of runs. It is valid up to
// the next call.
func (e *RunEncoder) Encode(r Run) []byte {
	e.run = r
	e.out.Reset()
	if err := e.enc.MarshalToBuffer(&e.run, &e.out); err != nil {
		panic(err) // a run holds nothing that can't be encoded
	}
	return e.out.Bytes()
}

func (r *Recipe) check() error {
	if r.Level > MaxRecipeLevel || len(r.Runs) > MaxInlineRuns {
		return damaged("a recipe of level %d and %d runs", r.Level, len(r.Runs))
	}
	return checkRuns(r.Runs)
}

func checkRuns(runs []Run) error {
	for _, run := range runs {
		if run.Count == 0 || uint64(run.First)+uint64(run.Count) > MaxSlabChunks {
			return damaged("a run of %d chunks from number %d on", run.Count, run.First)
		}
		if run.Times != 1 && (run.Times == 0 || run.Count != 1) {
			return damaged("a run of %d chunks %d times", run.Count, run.Times)
		}
	}
	return nil
}

// RunReader reads a stream of runs.
type RunReader struct {
	seq *sequence
	run [1]Run // decoding it makes no garbage
}

// NewRunReader reads the runs in r.
func NewRunReader(r io.Reader) *RunReader { return &RunReader{seq: newSequence(r)} }

// Next gives the next run, or io.EOF after the last.
func (r *RunReader) Next() (Run, error) {
	r.run[0] = Run{}
	if err := r.seq.next(&r.run[0]); err != nil {
		return Run{}, err
	}
	return r.run[0], checkRuns(r.run[:])
}

// sequence decodes a CBOR sequence without ever holding more than a bounded
// part of it, whatever lengths it claims.
type sequence struct {
	dec   *cbor.Decoder
	enc   cbor.UserBufferEncMode
	in    *budget
	again bytes.Buffer // the item, encoded again
	done  int          // bytes decoded
}

func newSequence(r io.Reader) *sequence {
	b := &budget{r: r}
	c := newCodec()
	return &sequence{dec: c.strict.NewDecoder(b), enc: newBufferEncoder(), in: b}
}

// next fills v, a pointer to a record, from the next item. Only the encoding that
// encode gives of it is accepted.
func (s *sequence) next(v any) error {
	s.in.left = 2 * MaxMemberHead
	if err := s.decode(v); err != nil {
		return err
	}
	n := s.dec.NumBytesRead() - s.done
	s.done += n
	s.again.Reset()
	if err := s.enc.MarshalToBuffer(v, &s.again); err != nil || !bytes.Equal(s.again.Bytes(), s.in.ahead[:n]) {
		return damaged("a record that is not encoded deterministically")
	}
	s.in.ahead = s.in.ahead[n:]
	return nil
}

func (s *sequence) decode(v any) error {
	err := s.dec.Decode(v)
	if err == nil || err == io.EOF && s.in.err == io.EOF {
		return err
	}
	if s.in.err != nil && s.in.err != io.EOF {
		return s.in.err // what the reader said, not what the decoder made of it
	}
	return damaged("no such item: %v", err)
}

// budget is a reader that refuses to give more than a number of bytes for one
// item of a sequence.
type budget struct {
	r     io.Reader
	left  int
	ahead []byte // that were read and are not of an item before
	err   error  // that r gave
}

func (b *budget) Read(p []byte) (n int, err error) {
	if b.left <= 0 {
		return 0, damaged("an item that is too long")
	}
	n, b.err = b.r.Read(p[:min(len(p), b.left)])
	b.left -= n
	b.ahead = append(b.ahead, p[:n]...)
	return n, b.err
}
