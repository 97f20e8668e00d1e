package protocol

// operator is where the operator is.
type operator struct {
	at      uint8
	holding bool // a hold is at work, not an undo
	left    uint8
}

const (
	oIdle uint8 = iota
	oLeased
	oRead
	oSeen
	oMarked
	oCrashed
	oLooked // with a clock that jumps: has marked, and looked once
)

func (m *model) operatorSteps(s state, emit emitter) {
	o := &s.operator
	switch o.at {
	case oIdle:
		if o.left > 0 {
			o.left--
			m.operatorBegins(s, emit)
		}
		return
	case oCrashed:
		return
	case oLeased:
		if m.undoLooksFirst {
			m.look(s, oRead, emit)
		} else {
			m.readWhetherFinal(s, oRead, emit)
		}
	case oRead:
		switch {
		case m.undoLooksFirst:
			m.readWhetherFinal(s, oSeen, emit)
		case m.undoBlind:
			m.mark(s, emit)
		default:
			m.look(s, oSeen, emit)
		}
	case oSeen:
		m.mark(s, emit)
	case oMarked, oLooked:
		if m.jumps {
			m.operatorLooks(s, emit)
			break
		}
		m.operatorEnds(s, "removes its lease", emit)
	}
	if m.crashes {
		s.operator = operator{at: oCrashed}
		emit(s, step{theOperator, "crashes", 0})
	}
}

func (m *model) operatorBegins(s state, emit emitter) {
	if s.has(oldCapture) && !s.has(retired) {
		n := s
		m.put(&n, retired)
		n.graceOver, n.undone = false, false
		emit(n, step{theOperator, "puts", retired})
	}
	if s.has(hold) {
		n := s
		m.remove(&n, hold)
		n.held = false
		emit(n, step{theOperator, "removes", hold})
	}
	for _, holding := range []bool{false, true} {
		if holding && s.has(hold) || !holding && !s.has(retired) {
			continue
		}
		n := s
		n.operator.at, n.operator.holding = oLeased, holding
		if !m.undoUnleased {
			m.begin(&n, theOperator)
		}
		what := "puts a lease to undo the retiring"
		if holding {
			what = "puts a lease to hold the capture"
		}
		emit(n, step{theOperator, what, 0})
	}
}

// readWhetherFinal goes on unless a final mark names the capture.
func (m *model) readWhetherFinal(s state, at uint8, emit emitter) {
	m.list(&s, theOperator, allFinals, func(seen objects) {
		for b := range s.batch {
			if seen&(final<<b) != 0 && s.batch[b].goes&indexOld != 0 {
				m.operatorEnds(s, "finds the capture condemned and refuses", emit)
				return
			}
		}
		n := s
		n.operator.at = at
		emit(n, step{theOperator, "finds the capture in no final mark", 0})
	})
}

// look goes on if the capture is still there.
func (m *model) look(s state, at uint8, emit emitter) {
	m.list(&s, theOperator, oldCapture, func(seen objects) {
		if seen == 0 {
			m.operatorEnds(s, "finds no capture and refuses", emit)
			return
		}
		n := s
		n.operator.at = at
		emit(n, step{theOperator, "finds the capture there", 0})
	})
}

// mark removes the retired mark or puts the hold, if the lease is young enough.
// The look at it and the change are one step here: nothing finds the lease dead
// between them.
func (m *model) mark(s state, emit emitter) {
	if s.lapsed.has(theOperator) && !m.undoUnchecked {
		m.operatorEnds(s, "finds its lease too old and fails", emit)
		return
	}
	s.operator.at = oMarked
	if s.operator.holding {
		m.put(&s, hold)
		s.held = !m.jumps
		emit(s, step{theOperator, "puts", hold})
		return
	}
	m.remove(&s, retired)
	s.graceOver, s.undone = false, !m.jumps
	emit(s, step{theOperator, "removes", retired})
}

// operatorLooks emits the ends of a look after the mark: only then success is reported.
func (m *model) operatorLooks(s state, emit emitter) {
	second := s.operator.at == oLooked
	threat := func(b batch) bool { return b.goes&indexOld != 0 }
	m.lookAfter(&s, theOperator, second, threat, func(n state, overtaken bool) {
		switch {
		case overtaken:
			m.operatorEnds(n, "was taken for dead and fails", emit)
		case second:
			n.held, n.undone = n.held || n.operator.holding, n.undone || !n.operator.holding
			m.operatorEnds(n, "removes its lease", emit)
		default:
			n.operator.at = oLooked
			emit(n, step{theOperator, "looks", 0})
		}
	})
}

func (m *model) operatorEnds(s state, what string, emit emitter) {
	m.remove(&s, leaseOf(theOperator))
	s.operator.at, s.operator.holding = oIdle, false
	emit(s, step{theOperator, what, 0})
}
