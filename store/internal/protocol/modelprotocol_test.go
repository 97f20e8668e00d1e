package protocol

import (
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

// Where a search starts.
var (
	kept     = state{there: slabA | slabB | indexOld, wasThere: indexOld}
	retiring = state{there: slabA | slabB | indexOld | retired, wasThere: indexOld, graceOver: true}
	doomed   = state{there: slabA | slabB | indexOld | indexDoomed, wasThere: indexOld | indexDoomed}
	// The slabs were announced while the kept capture was retired; it is no more.
	rescued = state{
		there: slabA | slabB | indexOld | indexDoomed | announced, wasThere: indexOld | indexDoomed,
		batch: [2]batch{{slabs: slabA | slabB}},
	}
	// A final mark names slab B. Then the capture that is now retired was committed,
	// by a writer that had begun before.
	overtaken = state{
		there: slabA | slabB | indexDoomed | announced | final, wasThere: indexDoomed,
		batch: [2]batch{{slabs: slabB, final: slabB}},
	}
	leftovers = state{there: slabA | slabB}
)

// from searches from one start state.
func (m model) from(s state) result {
	for i := range m.reclaimers {
		s.reclaimer[i].left = uint8(m.runs)
	}
	s.operator.left = uint8(m.changes)
	return m.search([]state{s}, m.drained)
}

// TestProtocol finds that no order of steps breaks an invariant, and none
// leaves something that the reclaimer can't free later. The counts are there so
// that a search doesn't shrink unseen.
func TestProtocol(t *testing.T) {
	for _, c := range []struct {
		name   string
		m      model
		start  state
		states int
		depth  int
		short  bool
	}{
		{"a writer", model{writers: 1, reclaimers: 1, runs: 2, crashes: true}, leftovers, 8724, 40, true},
		{"two writers", model{writers: 2, reclaimers: 1, runs: 1, crashes: true}, leftovers, 103139, 34, false},
		{"two writers, two runs", model{writers: 2, reclaimers: 1, runs: 2}, leftovers, 191990, 49, false},
		{"an operator", model{reclaimers: 1, runs: 3, changes: 4, crashes: true}, kept, 123468, 56, true},
		{"an operator, no grace", model{reclaimers: 1, runs: 3, changes: 3, crashes: true, noGrace: true}, kept, 113618, 53, false},
		{"a writer and an operator", model{writers: 1, reclaimers: 1, runs: 2, changes: 2}, kept, 184990, 48, false},
		{"an operator and a capture that goes", model{reclaimers: 1, runs: 2, changes: 2, crashes: true, rewrite: true}, doomed, 284401, 44, false},
		{"a writer and a capture that goes", model{writers: 1, reclaimers: 1, runs: 2, crashes: true, rewrite: true}, rescued, 46651, 41, false},
		{"a writer, an operator and a capture that goes", model{writers: 1, reclaimers: 1, runs: 1, changes: 1, crashes: true, rewrite: true}, doomed, 76759, 32, false},
		{"a capture that a final mark came too early for", beside(rules{}), overtaken, 33709, 43, true},
		{"rewriting", model{writers: 1, reclaimers: 1, runs: 3, changes: 1, crashes: true, rewrite: true}, kept, 361291, 59, false},
		{"two reclaimers and a writer", model{writers: 1, reclaimers: 2, runs: 1}, retiring, 397684, 44, false},
		{"two reclaimers rewriting", model{reclaimers: 2, runs: 1, changes: 1, rewrite: true, crashes: true}, kept, 30161, 38, true},
		{"late listings, a writer", model{writers: 1, reclaimers: 1, runs: 2, crashes: true, lag: true}, retiring, 116158, 52, false},
		{"late listings, two writers", model{writers: 2, reclaimers: 1, runs: 1, crashes: true, lag: true}, leftovers, 291520, 38, false},
		{"late listings, an operator", model{reclaimers: 1, runs: 2, changes: 2, crashes: true, lag: true}, kept, 34381, 49, true},
		{"late listings, rewriting", model{reclaimers: 1, runs: 3, changes: 1, crashes: true, rewrite: true, lag: true}, kept, 37356, 61, false},
		{"a writer that relies on captures", relying(beside(rules{})), retiring, 49428, 45, true},
		{"a writer that relies on a capture that goes", relying(model{writers: 1, reclaimers: 1, runs: 2, crashes: true, rewrite: true}), rescued, 51890, 42, true},
		{"a writer that relies on captures, rewriting", relying(model{writers: 1, reclaimers: 1, runs: 3, changes: 1, rewrite: true}), kept, 83481, 60, false},
		{"a writer that relies on captures, late listings", relying(late(beside(rules{}))), retiring, 126426, 53, false},
		{"a writer that relies on captures, late listings, rewriting", relying(model{writers: 1, reclaimers: 1, runs: 2, changes: 1, rewrite: true, lag: true}), kept, 82302, 54, false},
		{"two writers that rely on captures", relying(model{writers: 2, reclaimers: 1, runs: 1}), retiring, 155483, 38, false},
		{"a writer that relies on captures, a clock that jumps", relying(jumping(rules{})), retiring, 28804, 47, false},
		{"a writer whose slab stands on another", standing(beside(rules{})), leftovers, 27725, 41, true},
		{"a writer whose slab stands on another, a capture that goes", standing(beside(rules{})), retiring, 113358, 44, true},
		{"two writers whose slabs stand on others", standing(model{writers: 2, reclaimers: 1, runs: 1}), leftovers, 312475, 34, false},
		{"a writer whose slab stands on another, late listings", standing(late(beside(rules{}))), leftovers, 72098, 49, false},
		{"a writer whose slab stands on another, that relies on captures", standing(relying(beside(rules{}))), retiring, 119237, 45, true},
		{"a writer whose slab stands on another, a clock that jumps", standing(jumping(rules{})), leftovers, 22400, 43, true},
		{"two writers whose slabs stand on others, a clock that jumps", standing(model{writers: 2, reclaimers: 1, runs: 1, jumps: true}), leftovers, 1321043, 38, false},
		{"a clock that jumps, a writer", jumping(rules{}), leftovers, 5988, 43, true},
		{"a clock that jumps, a writer and a capture that goes", jumping(rules{}), retiring, 25712, 46, false},
		{"a clock that jumps, two writers", model{writers: 2, reclaimers: 1, runs: 1, jumps: true}, leftovers, 140091, 38, false},
		{"a clock that jumps, an operator", jumpingMarks(rules{}), kept, 11008, 44, true},
		{"a clock that jumps, late listings, a writer", late(jumping(rules{})), leftovers, 11746, 51, false},
		{"a clock that jumps, late listings, an operator", late(jumpingMarks(rules{})), kept, 20134, 52, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			if testing.Short() && !c.short {
				t.Skip("a larger search")
			}
			r := c.m.from(c.start)
			if r.broken != "" {
				t.Fatal(r)
			}
			if r.states != c.states || r.depth != c.depth {
				t.Errorf("%s; want %d states, longest path %d", r, c.states, c.depth)
			}
		})
	}
}

// TestLarger searches further: KIST_TEST_ROUNDS says how many runs each
// reclaimer may begin. With 2, it takes some minutes and up to 2 GB of memory.
func TestLarger(t *testing.T) {
	text := os.Getenv("KIST_TEST_ROUNDS")
	if text == "" {
		t.Skip("KIST_TEST_ROUNDS is not set")
	}
	runs, err := strconv.Atoi(text)
	if err != nil || runs < 1 || runs > 200 {
		t.Fatalf("KIST_TEST_ROUNDS=%s", text)
	}
	for _, c := range []struct {
		name  string
		m     model
		start state
	}{
		{"two writers", model{writers: 2, reclaimers: 1, runs: runs, crashes: true}, leftovers},
		{"a writer and an operator", model{writers: 1, reclaimers: 1, runs: runs, changes: 2, crashes: true}, kept},
		{"two writers and an operator", model{writers: 2, reclaimers: 1, runs: runs, changes: 1}, kept},
		{"rewriting", model{writers: 1, reclaimers: 1, runs: runs, changes: 2, crashes: true, rewrite: true}, kept},
		{"late listings, a writer and an operator", model{writers: 1, reclaimers: 1, runs: runs, changes: 2, crashes: true, lag: true}, kept},
		{"late listings, rewriting", model{writers: 1, reclaimers: 1, runs: runs, changes: 1, crashes: true, rewrite: true, lag: true}, kept},
		{"two reclaimers and a writer", model{writers: 1, reclaimers: 2, runs: runs, crashes: true}, retiring},
		{"two reclaimers rewriting", model{reclaimers: 2, runs: runs, changes: 2, crashes: true, rewrite: true}, kept},
	} {
		t.Run(c.name, func(t *testing.T) {
			begun := time.Now()
			r := c.m.from(c.start)
			t.Log(r, time.Since(begun).Round(time.Second))
			if r.broken != "" {
				t.Fail()
			}
		})
	}
}

// TestTraceInWords shows that a trace reads from the start to what it breaks.
func TestTraceInWords(t *testing.T) {
	m := model{rules: rules{undoBlind: true}, reclaimers: 1, runs: 1, changes: 2}
	r := m.from(kept)
	text := r.String()
	for _, want := range []string{
		"longest path", "the capture is not there:",
		"1. the operator puts retired/K0", "reclaimer 1 puts condemned/", "removes captures/K0", "removes retired/K0",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	if len(r.trace) != r.depth {
		t.Errorf("a trace of %d steps, at depth %d", len(r.trace), r.depth)
	}
}
