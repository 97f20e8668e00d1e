package protocol

// rules names rules of the protocol that are broken on purpose. The zero value
// is the protocol.
type rules struct {
	basesUnwatched      bool // a writer does not look whether what its slabs stand on goes
	basesGoAlone        bool // the reclaimer removes what a slab stands on that is there and stays
	relaysBaseless      bool // a writer relies on a slab without what that stands on
	finalsBeforeLease   bool // a writer reads the final marks before it puts its lease
	slabsBeforeFinals   bool // a writer lists slabs before it reads the final marks
	reliesOnExcluded    bool // a writer relies on slabs that a final mark names
	commitUnchecked     bool // a writer commits without a look at its lease
	slowCommit          bool // the assumption dropped: a commit may take longer than half a life
	renewsLapsed        bool // a writer renews a lease that has lapsed, and goes on
	beginsAnew          bool // a renewed lease counts as begun when it was renewed
	leasesBeforeFinal   bool // the reclaimer lists leases before it puts the final mark
	skipsLeases         bool // the reclaimer does not look at writers' leases
	keepsCaptures       bool // the reclaimer doesn't read the captures again
	keepsMarks          bool // the reclaimer doesn't read retired marks and holds again
	anyMark             bool // on reading again any retired mark counts, however young
	againstNeeded       bool // slabs stay only for captures that are needed, not for all that stay
	slabsFirst          bool // the reclaimer removes slabs before index files
	highestFirst        bool // the highest generation of an index file is removed first
	leavesGone          bool // a run passes over a batch that has its .gone mark
	oldIndexLast        bool // a lower generation of an index file is removed after its slab
	goneLast            bool // .gone is put after the removal
	finalBeforeAnnounce bool // the final mark is removed before the announcement
	undoUnleased        bool // undo and hold without a lease
	undoUnchecked       bool // undo and hold without a look at their lease
	undoBlind           bool // undo and hold don't look whether the capture is still there
	undoLooksFirst      bool // they look before they read the final marks
	reclaimersMeet      bool // a reclaimer doesn't look for others
	rewritesUnchecked   bool // a reclaimer doesn't look at its own lease before it puts an index file
	removesUnchecked    bool // nor before it puts marks and removes what they name
	oneWait             bool // with a lagging listing: half the wait after the final mark
	noWaitLeases        bool // no wait between the leases and reading again
	noWaitFinal         bool // no wait between the slabs' removal and the final mark's
	noLookAfter         bool // with a clock that jumps: no look at final marks and the own lease after a put
	leaseLookedFirst    bool // they look at their lease before they read the final marks
	finalsNotLooked     bool // they look at their lease alone
	leaseNotLooked      bool // they look at the final marks alone
	leavesDead          bool // the reclaimer leaves leases that it took for dead
}

// model is what is explored: who takes part, and by what rules.
type model struct {
	rules
	writers    int
	reclaimers int
	runs       int  // of each reclaimer
	changes    int  // how often the operator does something
	rewrite    bool // slab A is partly dead and may be rewritten
	noGrace    bool // grace 0
	lag        bool // a listing may lag
	crashes    bool
	jumps      bool // the medium's clock jumps: any lease may be taken for dead, and its owner not know
	relies     bool // a writer takes what captures need that it sees listed for there, and asks for the rest
	deltas     bool // a writer's slab may stand on another one that it knows
	draining   bool // the reclaimer works alone, all leases are dead, all is old
}

// step is one step of a trace.
type step struct {
	who  int
	what string
	of   objects
}

func (s step) String() string {
	who := [actors]string{"writer 1", "writer 2", "reclaimer 1", "reclaimer 2", "the operator"}[s.who]
	text := who + " " + s.what
	if s.of != 0 {
		text += " " + nameOf(s.of)
	}
	return text
}

type emitter func(state, step)

// next emits every state that one step leads to.
func (m *model) next(s state, emit emitter) {
	if !m.draining {
		for i := range m.writers {
			m.writerSteps(s, i, emit)
		}
		if m.changes > 0 {
			m.operatorSteps(s, emit)
		}
	}
	for i := range m.reclaimers {
		m.reclaimerSteps(s, i, emit)
	}
}

// own returns the objects that only this actor puts and removes: it sees them
// as they are.
func own(actor int) objects {
	switch actor {
	case theOperator:
		return retired | hold | leaseOf(actor)
	case writers, writers + 1:
		return newSlab<<actor | indexNew<<actor | leaseOf(actor)
	}
	// Another run may be another machine's.
	return leaseOf(actor)
}

// list calls fn with every listing that an actor may get of some objects.
func (m *model) list(s *state, actor int, of objects, fn func(objects)) {
	unsure := s.fresh & of &^ own(actor)
	subsets(unsure, func(wrong objects) { fn(s.there&of ^ wrong) })
}

func (m *model) put(s *state, o objects) {
	s.there |= o
	m.changed(s, o)
}

func (m *model) remove(s *state, o objects) {
	s.there &^= o
	m.changed(s, o)
	if o&allLeases == 0 {
		return
	}
	for actor := range actors {
		if o&leaseOf(actor) != 0 {
			s.forget(actor)
		}
	}
}

func (m *model) changed(s *state, o objects) {
	if m.lag {
		s.fresh |= o
		s.waited &^= o
	}
}

// forget clears what is known of a lease.
func (s *state) forget(actor int) {
	s.lapsed &^= 1 << actor
	for b := range s.batch {
		s.batch[b].after &^= 1 << actor
	}
}

// begin puts an actor's lease.
func (m *model) begin(s *state, actor int) {
	m.put(s, leaseOf(actor))
	s.forget(actor)
	for b := range s.batch {
		if o := final << b; s.has(o) && s.fresh&o == 0 {
			s.batch[b].after |= 1 << actor
		}
	}
}

// protected says that a lease can't lapse now: its owner has just seen that it
// is younger than half its life, and takes less than the other half.
func (m *model) protected(s *state, actor int) bool {
	return actor < reclaimers && s.writer[actor].at == wChecked && !m.slowCommit && !m.commitUnchecked
}

// lookAfter emits what an actor finds that looks, after it put something, first at the
// final marks and then at its own lease: whether a mark is a threat, whether the lease is
// gone. at is where it is, then where it goes.
func (m *model) lookAfter(s *state, actor int, second bool, threat func(batch) bool, fn func(n state, overtaken bool)) {
	finals := second == m.leaseLookedFirst
	switch {
	case m.noLookAfter, finals && m.finalsNotLooked, !finals && m.leaseNotLooked:
		fn(*s, false)
	case finals:
		m.list(s, actor, allFinals, func(seen objects) {
			found := false
			for b := range s.batch {
				found = found || seen&(final<<b) != 0 && threat(s.batch[b])
			}
			fn(*s, found)
		})
	default:
		fn(*s, !s.has(leaseOf(actor)))
	}
}
