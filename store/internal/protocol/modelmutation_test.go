package protocol

import "testing"

func TestMut(t *testing.T) {
	w := func(r rules) model { return model{rules: r, writers: 1, reclaimers: 1, runs: 2, crashes: true} }
	op := func(r rules) model { return model{rules: r, reclaimers: 1, runs: 3, changes: 4, crashes: true} }
	lagw := func(r rules) model { m := w(r); m.lag = true; return m }
	lagop := func(r rules) model { m := op(r); m.lag = true; m.changes = 2; return m }
	two := func(r rules) model { m := w(r); m.reclaimers = 2; m.runs = 1; m.crashes = false; return m }
	twoop := func(r rules) model {
		m := op(r)
		m.reclaimers = 2
		m.runs = 1
		m.changes = 3
		m.crashes = false
		return m
	}
	rw := func(r rules) model { m := w(r); m.rewrite = true; m.changes = 1; return m }
	rw2 := func(r rules) model {
		m := w(r)
		m.rewrite = true
		m.changes = 1
		m.reclaimers = 2
		m.writers = 0
		m.crashes = false
		return m
	}
	for _, c := range []struct {
		name string
		m    model
		s    state
	}{
		{"finalsBeforeLease", w(rules{finalsBeforeLease: true}), orphans},
		{"slabsBeforeFinals", w(rules{slabsBeforeFinals: true}), orphans},
		{"reliesOnExcluded", w(rules{reliesOnExcluded: true}), orphans},
		{"commitUnchecked", w(rules{commitUnchecked: true}), orphans},
		{"slowCommit", w(rules{slowCommit: true}), orphans},
		{"renewsLapsed", w(rules{renewsLapsed: true}), orphans},
		{"beginsAnew", w(rules{beginsAnew: true}), orphans},
		{"leasesBeforeFinal", w(rules{leasesBeforeFinal: true}), orphans},
		{"skipsLeases", w(rules{skipsLeases: true}), orphans},
		{"keepsCaptures", w(rules{keepsCaptures: true}), orphans},
		{"keepsMarks", op(rules{keepsMarks: true}), base},
		{"anyMark", op(rules{anyMark: true}), base},
		{"slabsFirst", op(rules{slabsFirst: true}), base},
		{"goneLast", op(rules{goneLast: true}), base},
		{"oldIndexLast", rw(rules{oldIndexLast: true}), base},
		{"oldIndexLast highest", rw(rules{oldIndexLast: true, highestFirst: true}), base},
		{"leavesGone", op(rules{leavesGone: true}), base},
		{"highestFirst", rw(rules{highestFirst: true}), base},
		{"finalBeforeAnnounce", w(rules{finalBeforeAnnounce: true}), orphans},
		{"finalBeforeAnnounce op", op(rules{finalBeforeAnnounce: true}), base},
		{"finalBeforeAnnounce w old", w(rules{finalBeforeAnnounce: true}), old},
		{"undoUnleased", op(rules{undoUnleased: true}), base},
		{"undoUnchecked", op(rules{undoUnchecked: true}), base},
		{"undoBlind", op(rules{undoBlind: true}), base},
		{"undoLooksFirst", op(rules{undoLooksFirst: true}), base},
		{"reclaimersMeet w", two(rules{reclaimersMeet: true}), old},
		{"reclaimersMeet op", twoop(rules{reclaimersMeet: true}), base},
		{"reclaimersMeet rw", rw2(rules{reclaimersMeet: true}), base},
		{"reclaimerUnchecked w", two(rules{reclaimerUnchecked: true}), old},
		{"reclaimerUnchecked op", twoop(rules{reclaimerUnchecked: true}), base},
		{"reclaimerUnchecked rw", rw2(rules{reclaimerUnchecked: true}), base},
		{"both rw", rw2(rules{reclaimersMeet: true, reclaimerUnchecked: true}), base},
		{"oneWait w", lagw(rules{oneWait: true}), orphans},
		{"oneWait op", lagop(rules{oneWait: true}), base},
		{"noWaitLeases w", lagw(rules{noWaitLeases: true}), orphans},
		{"noWaitLeases op", lagop(rules{noWaitLeases: true}), base},
		{"noWaitFinal w", lagw(rules{noWaitFinal: true}), orphans},
		{"noWaitFinal op", lagop(rules{noWaitFinal: true}), base},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := c.m.run(c.s)
			t.Log(r)
			if r.broken == "" {
				t.Error("NOT FOUND")
			}
		})
	}
}
