package protocol

import (
	"fmt"
	"hash/maphash"
	"strings"
)

// result is what a search found.
type result struct {
	states, steps int
	depth         int    // steps of the longest shortest path
	broken        string // the invariant that does not hold, or nothing
	trace         []step // the shortest way there
}

// origin is how a state was reached first: the number of the state before it,
// and which of its successors it is.
type origin struct {
	from  int32
	which int32
}

// search tries every order of steps from the start states, breadth first, until
// an invariant does not hold. States are known by a 64-bit hash: in ten million
// of them some two collide with a probability of 3e-6, and then a part of the
// search is left out. What reached returns of a state counts as an invariant, too.
func (m *model) search(starts []state, reached func(*state) string) result {
	seed := maphash.MakeSeed()
	numbers := make(map[uint64]struct{})
	var origins []origin
	var res result
	var frontier, following []state
	first := 0 // number of the frontier's first state
	add := func(s state, from, which int32) bool {
		h := maphash.Comparable(seed, s)
		if _, ok := numbers[h]; ok {
			return true
		}
		numbers[h] = struct{}{}
		origins = append(origins, origin{from, which})
		following = append(following, s)
		res.broken = s.broken()
		if res.broken == "" {
			res.broken = reached(&s)
		}
		return res.broken == ""
	}
	for i, s := range starts {
		if !add(s, -1, int32(i)) {
			break
		}
	}
	for len(following) > 0 && res.broken == "" {
		first = len(origins) - len(following)
		frontier, following = following, frontier[:0]
		for i := range frontier {
			which := int32(0)
			m.next(frontier[i], func(n state, _ step) {
				res.steps++
				if res.broken == "" {
					add(n, int32(first+i), which)
				}
				which++
			})
			if res.broken != "" {
				break
			}
		}
		if len(following) > 0 {
			res.depth++
		}
	}
	res.states = len(origins)
	if res.broken != "" {
		res.trace = m.retrace(starts, origins)
	}
	return res
}

// retrace returns the steps to the state that was found last.
func (m *model) retrace(starts []state, origins []origin) []step {
	var path []int32
	at := int32(len(origins) - 1)
	for origins[at].from >= 0 {
		path = append(path, origins[at].which)
		at = origins[at].from
	}
	s := starts[origins[at].which]
	var trace []step
	for i := len(path) - 1; i >= 0; i-- {
		which := int32(0)
		var then state
		m.next(s, func(n state, st step) {
			if which == path[i] {
				then = n
				trace = append(trace, st)
			}
			which++
		})
		s = then
	}
	return trace
}

func (r result) String() string {
	text := fmt.Sprintf("%d states, %d steps, longest path %d", r.states, r.steps, r.depth)
	if r.broken == "" {
		return text
	}
	lines := []string{text, r.broken + ":"}
	for i, st := range r.trace {
		lines = append(lines, fmt.Sprintf("%3d. %s", i+1, st))
	}
	return strings.Join(lines, "\n")
}

// drained lets the reclaimer work alone to the end from a state in which all
// others are finished, and returns what it left that nothing wants.
func (m *model) drained(s *state) string {
	for _, w := range s.writer {
		if w.at > wIdle && w.at < wDone {
			return ""
		}
	}
	if s.operator.at != oIdle && s.operator.at != oCrashed || s.reclaimer[0].at != rIdle || s.reclaimer[1].at != rIdle {
		return ""
	}
	alone := *m
	alone.draining, alone.reclaimers = true, 1
	n := *s
	n.reclaimer[0].left = 1
	n.fresh = 0
	for range 400 {
		before := n
		if n.reclaimer[0].at == rIdle {
			n.lapsed = actorSet(1<<actors - 1)
			n.archive()
			if n.swept() {
				return ""
			}
		}
		count := 0
		alone.next(n, func(to state, _ step) {
			if count == 0 {
				n = to
			}
			count++
		})
		if n == before {
			break
		}
	}
	return "the reclaimer alone does not come to free: " + nameOf(n.there)
}

// archive lets names of finished batches be used again.
func (s *state) archive() {
	for b := range s.batch {
		if !s.has((announced | final) << b) {
			s.there &^= gone << b
			s.batch[b] = batch{}
		}
	}
}

// swept says that nothing is left that is not wanted.
func (s *state) swept() bool {
	marks := s.there & (announced | announced<<1 | allFinals)
	slabs := s.there & allSlabs &^ s.needs(s.there&allIndexes)
	unwanted := s.has(indexDoomed) || s.has(oldCapture) && s.has(retired) && !s.has(hold)
	return marks == 0 && slabs == 0 && !unwanted && (s.there&oldCapture != oldCapture || s.has(slabA))
}
