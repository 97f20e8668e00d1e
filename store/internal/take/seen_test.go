package take

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// However many captures there are, one more, or one less, makes little of the list of
// captures seen new.
func TestSeenIsCutByIDs(t *testing.T) {
	const letters = "0123456789abcdefghijklmnopqrstuvwxyz"
	rng := rand.New(rand.NewPCG(1, 2))
	var ids []string
	for i := range 1001 {
		id := []byte(time.Unix(int64(i)*3600, 0).UTC().Format("20060102t1504z-"))
		for range 4 {
			id = append(id, letters[rng.IntN(len(letters))])
		}
		ids = append(ids, string(id))
	}
	r, o := capturedFolder(t)
	s := begun(t, r, o)
	defer s.abandon(t.Context())
	for _, step := range []struct {
		name  string
		there []string
		most  int64 // bytes that are new
	}{
		{"1,000 captures", ids[:1000], 1000 * 20},
		{"the same again", ids[:1000], 0},
		{"one more", ids, maxSeenChunk},
		{"without the first", ids[1:], maxSeenChunk},
		{"without one among them", slices.Concat(ids[:500], ids[501:]), 2 * maxSeenChunk},
	} {
		s.there = step.there
		stream, err := s.takeSeen()
		if err == nil {
			err = s.Intake.Settle()
		}
		if err != nil {
			t.Fatal(err)
		}
		if got := stream.Summary().Bytes; got != uint64(20*len(step.there)) {
			t.Errorf("%s: %d bytes of %d ids", step.name, got, len(step.there))
		}
		if stream.Fresh() > step.most {
			t.Errorf("%s: %d bytes are new, want at most %d", step.name, stream.Fresh(), step.most)
		}
	}
}
