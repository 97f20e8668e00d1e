package intake

import (
	"context"
	"math"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
)

// Stream is a sequence of chunks taken in. Its results may be asked for after
// Settle.
type Stream struct {
	in     *Intake
	lane   Lane
	spans  []span
	digest *crypt.DigestHasher
	chunks uint64
	bytes  uint64
	fresh  int64
	before *before // of a list; nil: it follows nothing

	draft   bool
	lengths []uint32 // of a draft's chunks, of one that comes several times in a span once
}

// span is a run of chunks that follow each other in the index, or one chunk
// several times.
type span struct {
	first known.Ref
	count uint32
	times uint32 // 1, or more where count is 1
}

// Stream begins a stream.
func (in *Intake) Stream(lane Lane) *Stream {
	return &Stream{in: in, lane: lane, digest: crypt.NewDigestHasher()}
}

// Draft begins a stream that may be appended to another one, or given up.
func (in *Intake) Draft(lane Lane) *Stream { return &Stream{in: in, lane: lane, draft: true} }

// concat appends the chunks of a draft.
func (s *Stream) concat(draft *Stream) error {
	i := 0
	for _, sp := range draft.spans {
		for n := range sp.count {
			r := sp.first + known.Ref(n)
			id, err := s.in.cfg.Index.Identity(r)
			if err == nil {
				err = s.append(r, id, int(draft.lengths[i]), uint64(sp.times))
			}
			if err != nil {
				return err
			}
			i++
		}
	}
	s.fresh += draft.fresh
	return nil
}

// append appends a chunk so often.
func (s *Stream) append(r known.Ref, id crypt.Identity, n int, times uint64) error {
	s.chunks += times
	s.bytes += times * uint64(n)
	if err := s.addDigest(id, n, times); err != nil {
		return err
	}
	for times > 0 {
		k := len(s.spans) - 1
		if k < 0 || !s.spans[k].extend(r) {
			s.spans = append(s.spans, span{r, 1, 1})
			k++
		}
		times--
		if s.draft && s.spans[k].times == 1 {
			s.lengths = append(s.lengths, uint32(n))
		}
		times -= s.spans[k].repeat(r, times)
	}
	return nil
}

// digestStep is how many equal chunks are hashed between two looks at the context: some
// milliseconds of work.
const digestStep = 1 << 20

// addDigest adds a chunk so often to the digest. A draft has none: its chunks are added
// where it is appended.
func (s *Stream) addDigest(id crypt.Identity, n int, times uint64) error {
	if s.draft {
		return nil
	}
	for ; times > digestStep; times -= digestStep {
		if s.in.ctx.Err() != nil {
			return context.Cause(s.in.ctx)
		}
		s.digest.AddTimes(id, n, digestStep)
	}
	s.digest.AddTimes(id, n, times)
	return nil
}

// extend takes in r if it fits.
func (sp *span) extend(r known.Ref) bool {
	switch {
	case sp.times == 1 && sp.first+known.Ref(sp.count) == r:
		sp.count++
	case sp.count == 1 && sp.first == r && sp.times < math.MaxUint32:
		sp.times++
	default:
		return false
	}
	return true
}

// repeat takes r in so often, or as often as it fits, and says how often.
func (sp *span) repeat(r known.Ref, times uint64) uint64 {
	if sp.count != 1 || sp.first != r {
		return 0
	}
	n := min(times, uint64(math.MaxUint32-sp.times))
	sp.times += uint32(n)
	return n
}

// Summary gives the recipe of the stream, without its runs.
func (s *Stream) Summary() format.Recipe {
	return format.Recipe{Chunks: s.chunks, Bytes: s.bytes, Digest: s.digest.Sum()}
}

// Fresh gives how many bytes of the stream the repository lacked.
func (s *Stream) Fresh() int64 { return s.fresh }

// Runs calls yield for each run of the stream, in order, until yield fails.
func (s *Stream) Runs(yield func(format.Run) error) error {
	var run format.Run
	for _, sp := range s.spans {
		for i := uint32(0); i < sp.count; {
			slab, n, count := s.in.cfg.Index.LocateMany(sp.first+known.Ref(i), sp.count-i)
			i += count
			if sp.times == 1 && run.Times == 1 && run.Slab == slab && run.First+run.Count == n {
				run.Count += count
				continue
			}
			if run.Count > 0 {
				if err := yield(run); err != nil {
					return err
				}
			}
			run = format.Run{Slab: slab, First: n, Count: count, Times: sp.times}
		}
	}
	if run.Count == 0 {
		return nil
	}
	return yield(run)
}

// Empty tells whether the stream has no chunks. It may be asked after Settle.
func (s *Stream) Empty() bool { return s.chunks == 0 }
