package protocol

// choose emits all that a run may do with what it has read: announce, put a
// final mark, finish a batch that has one, rewrite a slab, or end. A run may do
// several of them.
func (m *model) choose(s state, i int, emit emitter) {
	// Alone and to the end, a run takes the furthest step that it can.
	count := 0
	counted := func(n state, st step) {
		if m.draining && count > 0 {
			return
		}
		count++
		emit(n, st)
	}
	for b := range s.batch {
		if s.has(final<<b) && !(m.leavesGone && s.has(gone<<b)) {
			m.resume(s, i, b, counted)
		}
	}
	for b := range s.batch {
		if s.has(announced<<b) && !s.has(final<<b) {
			m.leadUp(s, i, b, counted)
		}
	}
	m.announce(s, i, counted)
	if m.rewrite && !m.draining {
		m.moveChunks(s, i, counted)
	}
	m.reclaimerGoes(s, i, rEnd, "has done what it can", 0, counted)
}

// wanted returns the index files, of those read, of captures that are wanted;
// or, if needed, of those that are not past the grace time either.
func (r *reclaimer) wanted(needed bool) objects {
	if !r.isHeld && (r.mark == oldMark || r.mark == youngMark && !needed) {
		return r.indexes &^ oldCapture &^ indexDoomed
	}
	return r.indexes &^ indexDoomed
}

// announce puts condemned/B for the slabs that no wanted capture references.
func (m *model) announce(s state, i int, emit emitter) {
	r := &s.reclaimer[i]
	free := -1
	var known objects
	for b := len(s.batch) - 1; b >= 0; b-- {
		if !s.has((announced|final|gone)<<b) && !s.batch[b].used {
			free = b
		}
		known |= s.batch[b].slabs
	}
	if free < 0 {
		return
	}
	slabs := s.there & allSlabs &^ s.needs(r.wanted(false)) &^ known
	goes := r.goingCaptures() &^ s.batch[0].goes &^ s.batch[1].goes
	if slabs == 0 && goes == 0 || !m.mayChange(&s, i) {
		return
	}
	s.batch[free] = batch{slabs: slabs}
	m.put(&s, announced<<free)
	m.reclaimerGoes(s, i, rKnows, "announces", slabs, emit)
}

// leadUp puts the final mark of an announced batch, or takes the announcement
// back if all of it is wanted again.
func (m *model) leadUp(s state, i, b int, emit emitter) {
	r := &s.reclaimer[i]
	if slabs, goes := m.doomed(&s, r, b); slabs|goes == 0 {
		if s.batch[b].slabs&^s.needs(r.wanted(false)) == 0 && m.mayChange(&s, i) {
			m.remove(&s, announced<<b)
			s.batch[b] = batch{gone: s.batch[b].gone}
			m.reclaimerGoes(s, i, rKnows, "removes", announced<<b, emit)
		}
		return
	}
	if m.leasesBeforeFinal {
		s.reclaimer[i].batch = uint8(b)
		m.passLeases(s, i, emit)
		return
	}
	if m.removesUnchecked {
		// Between its decision and the mark, all may have changed.
		s.reclaimer[i].batch = uint8(b)
		m.reclaimerGoes(s, i, rPassed, "is about to put", final<<b, emit)
		return
	}
	m.promote(s, i, b, rKnows, emit)
}

// doomed returns what a final mark would name.
func (m *model) doomed(s *state, r *reclaimer, b int) (slabs, goes objects) {
	needed := s.needs(r.wanted(true))
	slabs = s.batch[b].slabs &^ needed
	if !m.basesGoAlone {
		slabs = s.together(slabs, s.batch[1-b].final&^needed)
	}
	return slabs, r.goingCaptures()
}

// goingCaptures returns the captures that are needed no more.
func (r *reclaimer) goingCaptures() objects {
	goes := r.indexes &^ r.wanted(true)
	if goes&oldCapture != 0 {
		return goes&^oldCapture | indexOld
	}
	return goes
}

func (m *model) promote(s state, i, b int, at uint8, emit emitter) {
	if !m.mayChange(&s, i) {
		m.runEnds(s, i, "finds its lease dead and stops", emit)
		return
	}
	if s.has(final << b) {
		m.runEnds(s, i, "finds a final mark there and stops", emit)
		return
	}
	s.batch[b].final, s.batch[b].goes = m.doomed(&s, &s.reclaimer[i], b)
	s.batch[b].after = 0
	m.put(&s, final<<b)
	m.reclaimerGoes(s, i, at, "puts the final mark for", s.batch[b].final, emit)
}

// resume begins to finish a batch that has its final mark.
func (m *model) resume(s state, i, b int, emit emitter) {
	r := &s.reclaimer[i]
	old := *r
	*r = reclaimer{left: r.left, batch: uint8(b)}
	if m.keepsCaptures {
		r.indexes = old.indexes
	}
	if s.has(gone << b) {
		m.reclaimerGoes(s, i, rAgain, "goes on with", gone<<b, emit)
		return
	}
	waits := 2
	if m.oneWait {
		waits = 1
	}
	m.waitThen(&s, i, waits, rLeases)
	emit(s, step{reclaimers + i, "goes on with", final << b})
}

// moveChunks puts a new slab with what is needed of slab A.
func (m *model) moveChunks(s state, i int, emit emitter) {
	r := &s.reclaimer[i]
	if s.rewritten || r.wanted(false)&oldCapture != indexOld {
		return
	}
	s.rewritten = true
	m.put(&s, moved)
	*r = reclaimer{left: r.left}
	m.reclaimerGoes(s, i, rMoved, "rewrites slab A as", moved, emit)
}

// replace puts the next generation of the old capture's index file.
func (m *model) replace(s state, i int, emit emitter) {
	if s.lapsed.has(reclaimers+i) && !m.rewritesUnchecked {
		m.runEnds(s, i, "finds its lease dead and stops", emit)
		return
	}
	m.put(&s, indexNext)
	m.reclaimerGoes(s, i, rEnd, "puts", indexNext, emit)
}

// decide settles what goes, from what was read again.
func (m *model) decide(s *state, i int) {
	r := &s.reclaimer[i]
	b := &s.batch[r.batch]
	r.goes = b.gone
	if !s.has(gone << r.batch) {
		r.goes = b.goes
		old := r.mark == oldMark || r.mark == youngMark && m.anyMark
		if !m.keepsMarks && (!old || r.isHeld) {
			r.goes &^= indexOld
		}
	}
	spared := s.needs(r.wanted(true))
	files := r.goes
	if files&indexOld != 0 {
		files |= indexNext
	}
	files &= r.indexes
	if !m.againstNeeded {
		spared = s.needs(r.indexes &^ files)
	}
	slabs := b.final & s.there &^ spared
	if !m.basesGoAlone {
		slabs = s.together(slabs, (s.batch[0].final|s.batch[1].final)&^spared)
	}
	r.dead = slabs | files
	if files&oldCapture == 0 && r.dead&slabA != 0 && r.indexes&oldCapture == oldCapture {
		r.dead |= indexOld
	}
	r.indexes, r.mark, r.isHeld = 0, noMark, false
}

// finish takes the steps that remove.
func (m *model) finish(s state, i int, emit emitter) {
	r := &s.reclaimer[i]
	if !m.mayChange(&s, i) {
		m.runEnds(s, i, "finds its lease dead and stops", emit)
		return
	}
	switch {
	case r.at == rGone && r.goes != s.batch[r.batch].gone && s.has(gone<<r.batch):
		m.reclaimerGoes(s, i, rAgain, "finds", gone<<r.batch, emit)
	case r.at == rGone && r.goes != 0 && !s.has(gone<<r.batch) && !m.goneLast:
		m.record(s, i, emit)
	case r.at == rUnmarks:
		m.unmark(s, i, emit)
	case r.dead != 0:
		m.removeOne(s, i, emit)
	case m.goneLast && r.goes != 0 && !s.has(gone<<r.batch):
		m.record(s, i, emit)
	case r.taken != 0 && !m.leavesDead:
		m.bury(s, i, emit)
	default:
		waits := 1
		if m.noWaitFinal {
			waits = 0
		}
		m.waitThen(&s, i, waits, rUnmarks)
		emit(s, step{reclaimers + i, "has removed all that goes", 0})
	}
}

// bury removes a lease that was taken for dead.
func (m *model) bury(s state, i int, emit emitter) {
	r := &s.reclaimer[i]
	one := r.taken.first()
	r.taken &^= one
	m.remove(&s, one)
	m.reclaimerGoes(s, i, rRemoves, "removes", one, emit)
}

// record puts the .gone mark.
func (m *model) record(s state, i int, emit emitter) {
	b := s.reclaimer[i].batch
	goes := s.reclaimer[i].goes
	s.batch[b].gone = goes
	s.recorded |= goes
	switch {
	case goes&indexOld == 0:
	case s.undone || s.held:
		s.fault = undoBroken
	case m.jumps:
		// The operator may have changed the marks since: it does not report success.
	case !s.has(retired) || s.has(hold):
		s.fault = notRetired
	case !s.graceOver && !m.noGrace:
		s.fault = tooEarly
	}
	m.put(&s, gone<<b)
	m.reclaimerGoes(s, i, rRemoves, "puts", gone<<b, emit)
}

// removeOne removes index files, the lowest generation first, then slabs.
func (m *model) removeOne(s state, i int, emit emitter) {
	r := &s.reclaimer[i]
	one := (r.dead & allIndexes).first()
	switch {
	case m.slabsFirst && r.dead&allSlabs != 0:
		one = (r.dead & allSlabs).first()
	case m.highestFirst && r.dead&oldCapture == oldCapture:
		one = indexNext
	case m.oldIndexLast && r.goes&indexOld == 0 && one == indexOld:
		one = r.dead &^ indexOld
		if one == 0 {
			one = indexOld
		}
		one = one.first()
	case one == 0:
		one = r.dead.first()
	}
	r.dead &^= one
	m.remove(&s, one)
	m.reclaimerGoes(s, i, rRemoves, "removes", one, emit)
}

// unmark removes the announcement, then the final mark.
func (m *model) unmark(s state, i int, emit emitter) {
	b := s.reclaimer[i].batch
	one, last := announced<<b, final<<b
	if m.finalBeforeAnnounce {
		one, last = last, one
	}
	at := rUnmarks
	if !s.has(one) {
		one, at = last, rEnd
	}
	m.remove(&s, one)
	if !s.has((announced | final) << b) {
		s.batch[b] = batch{gone: s.batch[b].gone, used: m.reclaimers > 1}
	}
	if at == rEnd {
		s.reclaimer[i] = reclaimer{left: s.reclaimer[i].left}
	}
	m.reclaimerGoes(s, i, at, "removes", one, emit)
}
