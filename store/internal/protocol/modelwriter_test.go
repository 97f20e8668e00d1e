package protocol

// writer is where a writer is, and what it knows.
type writer struct {
	at       uint8
	excluded objects // slabs that final marks name
	slabs    objects // first those that it knows, then those that its capture needs
	stored   chunks  // what its new slab holds
	base     objects // the slab on which that stands; none where it stands alone
}

const (
	wIdle uint8 = iota
	wLeased
	wListed // has read one of final marks and slabs
	wRelied // has listed captures, and asks for slabs
	wKnows
	wStored
	wChecked
	wCommitted
	wDone
	wFailed
	wCrashed
	wPut    // with a clock that jumps: has put its index file, and looks
	wLooked // has looked once
)

func (m *model) writerSteps(s state, i int, emit emitter) {
	switch s.writer[i].at {
	case wIdle:
		if m.finalsBeforeLease {
			m.readFinals(s, i, wLeased, emit)
			return
		}
		m.writerBegins(s, i, wLeased, emit)
	case wLeased:
		switch {
		case m.finalsBeforeLease:
			m.writerBegins(s, i, wListed, emit)
		case m.slabsBeforeFinals && m.relies:
			m.listCaptures(s, i, wListed, emit)
		case m.slabsBeforeFinals:
			m.listSlabs(s, i, wListed, emit)
		default:
			m.readFinals(s, i, wListed, emit)
		}
	case wListed:
		if m.slabsBeforeFinals {
			m.readFinals(s, i, wKnows, emit)
			break
		}
		if m.relies {
			m.listCaptures(s, i, wRelied, emit)
			break
		}
		m.listSlabs(s, i, wKnows, emit)
	case wRelied:
		m.listSlabs(s, i, wKnows, emit)
	case wKnows:
		m.store(s, i, emit)
	case wStored:
		m.check(s, i, emit)
	case wChecked:
		n := s
		m.put(&n, indexNew<<i)
		at := wCommitted
		if m.jumps {
			at = wPut
		}
		m.writerGoes(n, i, at, "puts", indexNew<<i, emit)
	case wPut, wLooked:
		m.writerLooks(s, i, emit)
	case wCommitted:
		n := s
		m.remove(&n, leaseOf(i))
		m.writerGoes(n, i, wDone, "removes its lease", 0, emit)
	}
	if at := s.writer[i].at; at > wIdle && at < wDone {
		m.writerAside(s, i, emit)
	}
}

// writerAside emits what may happen to a writer at every step.
func (m *model) writerAside(s state, i int, emit emitter) {
	if m.renewsLapsed && s.lapsed.has(i) || m.beginsAnew && s.writer[i].at == wStored {
		n := s
		if m.beginsAnew {
			m.begin(&n, i)
		}
		n.lapsed &^= 1 << i
		emit(n, step{i, "renews its lease", 0})
	}
	if m.crashes {
		m.writerStops(&s, i, wCrashed)
		emit(s, step{i, "crashes", 0})
	}
}

// writerStops clears what no longer counts.
func (m *model) writerStops(s *state, i int, at uint8) {
	committed := s.writer[i].at == wCommitted
	s.writer[i] = writer{at: at, stored: s.writer[i].stored, base: s.writer[i].base, slabs: s.writer[i].slabs}
	if !committed {
		s.writer[i].slabs = 0
	}
}

func (m *model) writerGoes(s state, i int, at uint8, what string, of objects, emit emitter) {
	s.writer[i].at = at
	emit(s, step{i, what, of})
}

func (m *model) writerBegins(s state, i int, at uint8, emit emitter) {
	m.begin(&s, i)
	m.writerGoes(s, i, at, "puts its lease", 0, emit)
}

func (m *model) readFinals(s state, i int, at uint8, emit emitter) {
	m.list(&s, i, allFinals, func(seen objects) {
		n := s
		for b := range n.batch {
			if seen&(final<<b) != 0 {
				n.writer[i].excluded |= n.batch[b].final
			}
		}
		m.writerGoes(n, i, at, "reads final marks and excludes", n.writer[i].excluded, emit)
	})
}

func (m *model) listSlabs(s state, i int, at uint8, emit emitter) {
	m.list(&s, i, allSlabs, func(seen objects) {
		n := s
		n.writer[i].slabs |= seen
		m.writerGoes(n, i, at, "knows", n.writer[i].slabs, emit)
	})
}

// listCaptures has a writer take for there what the captures need that it sees, by the highest
// generations that it sees.
func (m *model) listCaptures(s state, i int, at uint8, emit emitter) {
	m.list(&s, i, oldCapture|indexDoomed, func(seen objects) {
		n := s
		n.writer[i].slabs = n.needs(seen)
		m.writerGoes(n, i, at, "relies on what is needed by", seen, emit)
	})
}

// store emits every choice of known slabs for the chunks a and b, and puts a
// new slab with those that none has.
func (m *model) store(s state, i int, emit emitter) {
	known := s.writer[i].slabs
	if !m.reliesOnExcluded {
		known &^= s.writer[i].excluded
	}
	if !m.relaysBaseless {
		known = s.founded(known)
	}
	var with [2]objects
	known.each(func(slab objects) {
		if s.stored(slab)&chunkA != 0 {
			with[0] |= slab
		}
		if s.stored(slab)&chunkB != 0 {
			with[1] |= slab
		}
	})
	if m.deltas && with[0]|with[1] != 0 { // its chunks may be alike, and not the same
		m.stores(s, i, 0, 0, known, emit)
	}
	choices(with[0], func(a objects) {
		choices(with[1], func(b objects) {
			m.stores(s, i, a, b, known, emit)
		})
	})
}

// choices calls fn with each member, or once with nothing.
func choices(of objects, fn func(objects)) {
	if of == 0 {
		fn(0)
		return
	}
	of.each(fn)
}

func (m *model) stores(s state, i int, a, b, known objects, emit emitter) {
	w := &s.writer[i]
	w.excluded, w.slabs, w.stored = 0, a|b, 0
	if !m.basesUnwatched {
		w.slabs = s.withBases(a | b)
	}
	if a == 0 {
		w.stored |= chunkA
	}
	if b == 0 {
		w.stored |= chunkB
	}
	if w.stored == 0 {
		m.writerGoes(s, i, wStored, "relies on", a|b, emit)
		return
	}
	w.slabs |= newSlab << i
	m.put(&s, newSlab<<i)
	m.writerGoes(s, i, wStored, "puts a slab and needs", w.slabs, emit)
	if !m.deltas {
		return
	}
	known.each(func(base objects) {
		n := s
		n.writer[i].base = base
		if !m.basesUnwatched {
			n.writer[i].slabs = n.withBases(n.writer[i].slabs)
		}
		m.writerGoes(n, i, wStored, "puts a slab that stands on", base, emit)
	})
}

// founded gives, of slabs that a writer knows, those of which it also knows what they stand on.
func (s *state) founded(known objects) objects {
	for range s.writer { // each may stand on the other's
		for i := range s.writer {
			if s.writer[i].base&^known != 0 {
				known &^= newSlab << i
			}
		}
	}
	return known
}

// withBases gives slabs with what they stand on.
func (s *state) withBases(slabs objects) objects {
	for range s.writer {
		for i := range s.writer {
			if slabs&(newSlab<<i) != 0 {
				slabs |= s.writer[i].base
			}
		}
	}
	return slabs
}

// together gives, of slabs that are to go, those on which none stands that is there and stays.
func (s *state) together(going, named objects) objects {
	for range s.writer {
		for i := range s.writer {
			if s.has(newSlab<<i) && (going|named)&(newSlab<<i) == 0 {
				going &^= s.writer[i].base
			}
		}
	}
	return going
}

// writerLooks emits the ends of a look after the index file was put. Whoever was taken for
// dead takes it back.
func (m *model) writerLooks(s state, i int, emit emitter) {
	second := s.writer[i].at == wLooked
	threat := func(b batch) bool { return b.final&s.writer[i].slabs != 0 }
	m.lookAfter(&s, i, second, threat, func(n state, overtaken bool) {
		switch {
		case overtaken:
			m.remove(&n, indexNew<<i)
			m.remove(&n, leaseOf(i))
			m.writerStops(&n, i, wFailed)
			emit(n, step{i, "was taken for dead and takes back", indexNew << i})
		case second:
			m.writerGoes(n, i, wCommitted, "was not taken for dead", 0, emit)
		default:
			m.writerGoes(n, i, wLooked, "looks", 0, emit)
		}
	})
}

// looks tells that a writer has put its index file and may take it back.
func (w writer) looks() bool { return w.at == wPut || w.at == wLooked }

// check emits both ends of a writer's look at its lease.
func (m *model) check(s state, i int, emit emitter) {
	if !s.lapsed.has(i) || m.commitUnchecked {
		m.writerGoes(s, i, wChecked, "finds its lease young", 0, emit)
	}
	if m.commitUnchecked {
		return
	}
	m.remove(&s, leaseOf(i))
	m.writerStops(&s, i, wFailed)
	emit(s, step{i, "finds its lease too old and fails", 0})
}
