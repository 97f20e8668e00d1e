package weave

import "github.com/kistarchive/kist/store/internal/format"

// Span is a number of consecutive chunks of a stream.
type Span struct{ First, Count uint64 }

// CutOut gives the part of a run that begins skip chunks on, of at most count
// chunks.
func CutOut(run format.Run, skip, count uint64) format.Run {
	n := uint32(min(count, run.Len()-skip))
	if run.Times > 1 {
		run.Times = n
		return run
	}
	run.First += uint32(skip)
	run.Count = n
	return run
}
