package protocol

// reclaimer is where a run of the reclaimer is, and what it has read.
type reclaimer struct {
	at      uint8
	left    uint8 // runs
	batch   uint8 // the one that it is about to finish
	waits   uint8 // how often it waits before it goes on at then
	then    uint8
	mark    mark
	isHeld  bool
	indexes objects
	goes    objects // captures, by their first index files
	dead    objects // what is removed: index files and slabs
	taken   objects // with a clock that jumps: leases that are taken for dead
}

// mark is how a reclaimer found the retired mark.
type mark uint8

const (
	noMark mark = iota
	youngMark
	oldMark
)

const (
	rIdle uint8 = iota
	rLeased
	rAlone
	rCaptures
	rHolds
	rKnows
	rMoved
	rPassed // is about to put a final mark, by a broken rule
	rWaits
	rLeases
	rMarks
	rHeld
	rAgain
	rGone
	rRemoves
	rUnmarks
	rEnd
)

func (m *model) reclaimerSteps(s state, i int, emit emitter) {
	r := &s.reclaimer[i]
	switch r.at {
	case rIdle:
		m.runBegins(s, i, emit)
		return
	case rLeased:
		m.meet(s, i, emit)
	case rAlone, rAgain:
		m.readIndexes(s, i, emit)
	case rCaptures, rHeld:
		m.readHold(s, i, emit)
	case rHolds, rMarks:
		m.readMark(s, i, emit)
	case rKnows:
		m.choose(s, i, emit)
	case rMoved:
		m.replace(s, i, emit)
	case rPassed:
		at := rKnows
		if m.leasesBeforeFinal {
			at = rMarks
		}
		m.promote(s, i, int(r.batch), at, emit)
	case rWaits:
		m.wait(s, i, emit)
	case rLeases:
		m.passLeases(s, i, emit)
	case rEnd:
		m.runEnds(s, i, "removes its lease", emit)
	default:
		m.finish(s, i, emit)
	}
	if m.crashes && !m.draining {
		s.reclaimer[i] = reclaimer{left: r.left}
		s.waited = 0
		emit(s, step{reclaimers + i, "crashes", 0})
	}
}

func (m *model) reclaimerGoes(s state, i int, at uint8, what string, of objects, emit emitter) {
	s.reclaimer[i].at = at
	emit(s, step{reclaimers + i, what, of})
}

func (m *model) runBegins(s state, i int, emit emitter) {
	if s.reclaimer[i].left == 0 {
		return
	}
	if !m.draining {
		s.reclaimer[i].left--
	}
	m.begin(&s, reclaimers+i)
	m.reclaimerGoes(s, i, rLeased, "puts its lease", 0, emit)
}

func (m *model) runEnds(s state, i int, what string, emit emitter) {
	m.remove(&s, leaseOf(reclaimers+i))
	s.reclaimer[i] = reclaimer{left: s.reclaimer[i].left}
	s.waited = 0
	emit(s, step{reclaimers + i, what, 0})
}

// mayChange says whether the reclaimer's own lease lets it change something.
// The look at it and the change are one step here, as at the operator's.
func (m *model) mayChange(s *state, i int) bool {
	return m.removesUnchecked || !s.lapsed.has(reclaimers+i)
}

// meet looks for another live reclaimer.
func (m *model) meet(s state, i int, emit emitter) {
	other := reclaimers + 1 - i
	if !s.has(leaseOf(other)) || s.lapsed.has(other) || m.reclaimersMeet {
		m.reclaimerGoes(s, i, rAlone, "finds no other reclaimer", 0, emit)
		return
	}
	m.runEnds(s, i, "finds another reclaimer and stops", emit)
	s.lapsed |= 1 << other
	m.reclaimerGoes(s, i, rAlone, "finds the other reclaimer's lease dead", 0, emit)
}

// passLeases goes on if no live lease began before the batch's final mark.
func (m *model) passLeases(s state, i int, emit emitter) {
	me := reclaimers + i
	b := s.reclaimer[i].batch
	m.list(&s, me, allLeases&^leaseOf(me), func(seen objects) {
		var live actorSet
		dies := true
		for actor := range actors {
			if seen&leaseOf(actor) == 0 || s.lapsed.has(actor) || s.batch[b].after.has(actor) {
				continue
			}
			live |= 1 << actor
			dies = dies && s.has(leaseOf(actor)) && !m.protected(&s, actor)
		}
		if live == 0 || m.skipsLeases {
			m.passes(s, i, "finds no live lease from before the final mark", 0, emit)
			return
		}
		if dies {
			n := s
			n.lapsed |= live
			m.passes(n, i, "finds dead what began before the final mark:", seen, emit)
		}
		if m.jumps && !m.draining {
			n := s
			live.each(func(actor int) { n.reclaimer[i].taken |= leaseOf(actor) })
			m.passes(n, i, "takes for dead, as the clock jumps:", n.reclaimer[i].taken, emit)
		}
		if !m.draining {
			m.runEnds(s, i, "finds a live lease from before the final mark and stops", emit)
		}
	})
}

func (m *model) passes(s state, i int, what string, of objects, emit emitter) {
	b := s.reclaimer[i].batch
	at := rMarks
	if !s.has(final << b) {
		at = rPassed
	}
	waits := 1
	if m.noWaitLeases {
		waits = 0
	}
	m.waitThen(&s, i, waits, at)
	emit(s, step{reclaimers + i, what, of})
}

// waitThen lets the reclaimer wait, where a listing may lag, and then go on.
func (m *model) waitThen(s *state, i, waits int, then uint8) {
	r := &s.reclaimer[i]
	if !m.lag || waits == 0 {
		r.at = then
		return
	}
	r.at, r.waits, r.then = rWaits, uint8(waits), then
	s.waited = s.fresh
}

// wait ends a wait: what was changed before it began is seen from now on.
func (m *model) wait(s state, i int, emit emitter) {
	s.fresh &^= s.waited
	s.waited = 0
	r := &s.reclaimer[i]
	waits, then := r.waits-1, r.then
	r.waits, r.then = 0, 0
	m.waitThen(&s, i, int(waits), then)
	emit(s, step{reclaimers + i, "has waited", 0})
}

// readIndexes reads captures, for the first time or again.
func (m *model) readIndexes(s state, i int, emit emitter) {
	if s.reclaimer[i].at == rAlone {
		m.list(&s, reclaimers+i, allIndexes, func(seen objects) {
			n := s
			n.reclaimer[i].indexes = seen
			m.reclaimerGoes(n, i, rCaptures, "reads captures:", seen, emit)
		})
		return
	}
	if m.keepsCaptures {
		m.decide(&s, i)
		m.reclaimerGoes(s, i, rGone, "keeps what it read of captures", 0, emit)
		return
	}
	m.list(&s, reclaimers+i, allIndexes, func(seen objects) {
		n := s
		n.reclaimer[i].indexes = seen
		m.decide(&n, i)
		m.reclaimerGoes(n, i, rGone, "reads captures again:", seen, emit)
	})
}

func (m *model) readHold(s state, i int, emit emitter) {
	at, what := rHolds, "reads holds:"
	if s.reclaimer[i].at == rHeld {
		at, what = rAgain, "reads holds again:"
	}
	m.list(&s, reclaimers+i, hold, func(seen objects) {
		n := s
		n.reclaimer[i].isHeld = seen != 0
		m.reclaimerGoes(n, i, at, what, seen, emit)
	})
}

// readMark reads the retired mark, and finds it older than the grace time or
// not.
func (m *model) readMark(s state, i int, emit emitter) {
	at := rKnows
	if s.reclaimer[i].at == rMarks {
		at = rHeld
	}
	m.list(&s, reclaimers+i, retired, func(seen objects) {
		n := s
		r := &n.reclaimer[i]
		if seen == 0 {
			r.mark = noMark
			m.reclaimerGoes(n, i, at, "finds the capture not retired", 0, emit)
			return
		}
		if !n.graceOver && !m.draining {
			r.mark = youngMark
			if m.noGrace {
				r.mark = oldMark
			}
			m.reclaimerGoes(n, i, at, "finds the capture retired lately", 0, emit)
		}
		r.mark = oldMark
		n.graceOver = n.has(retired)
		m.reclaimerGoes(n, i, at, "finds the capture retired for the grace time", 0, emit)
	})
}
