package intake

import (
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

	draft   bool
	lengths []uint32 // of a draft's chunks
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
func (s *Stream) concat(draft *Stream) {
	i := 0
	for _, sp := range draft.spans {
		for n := range sp.count {
			r := sp.first + known.Ref(n)
			id := s.in.cfg.Index.ID(r)
			for range sp.times {
				s.append(r, id, int(draft.lengths[i]))
				i++
			}
		}
	}
	s.fresh += draft.fresh
}

func (s *Stream) append(r known.Ref, id crypt.Identity, n int) {
	if s.draft {
		s.lengths = append(s.lengths, uint32(n))
	} else {
		s.digest.Add(id, n)
	}
	s.chunks++
	s.bytes += uint64(n)
	if k := len(s.spans); k > 0 && s.spans[k-1].extend(r) {
		return
	}
	s.spans = append(s.spans, span{r, 1, 1})
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
