package protocol

import (
	"strings"
	"testing"
)

// broken is a search by rules one of which is broken.
type broken struct {
	name  string
	m     model
	start state
	want  string // part of what is found
}

const (
	lacks    = "a capture that is listed lacks"
	unkept   = "undoing or holding reported success"
	early    = "has not been retired for the grace time"
	vanished = "without being in a .gone mark"
	remains  = "does not come to free"
)

func beside(r rules) model {
	return model{rules: r, writers: 1, reclaimers: 1, runs: 2, crashes: true}
}

func undoing(r rules) model {
	return model{rules: r, reclaimers: 1, runs: 3, changes: 4, crashes: true}
}

func rewriting(r rules) model {
	return model{rules: r, writers: 1, reclaimers: 1, runs: 2, changes: 1, crashes: true, rewrite: true}
}

func unmarking(r rules) model {
	return model{rules: r, writers: 1, reclaimers: 1, runs: 3, crashes: true, rewrite: true}
}

func two(r rules) model {
	return model{rules: r, reclaimers: 2, runs: 1, changes: 1, rewrite: true}
}

func jumping(r rules) model {
	return model{rules: r, writers: 1, reclaimers: 1, runs: 2, jumps: true}
}

func relying(m model) model {
	m.relies = true
	return m
}

func standing(m model) model {
	m.deltas = true
	return m
}

func jumpingMarks(r rules) model {
	return model{rules: r, reclaimers: 1, runs: 2, changes: 2, jumps: true}
}

func late(m model) model {
	m.lag = true
	m.changes = min(m.changes, 2)
	return m
}

// TestBrokenRules finds that the search notices each rule that is broken.
func TestBrokenRules(t *testing.T) {
	for _, c := range []broken{
		{"a writer reads final marks before it puts its lease", beside(rules{finalsBeforeLease: true}), leftovers, lacks},
		{"a writer lists slabs before it reads final marks", beside(rules{slabsBeforeFinals: true}), leftovers, lacks},
		{"a writer lists captures, and relies on what they need, before it reads final marks", relying(beside(rules{slabsBeforeFinals: true})), retiring, lacks},
		{"late listings, a writer that relies on captures, no wait before the final mark goes", relying(late(beside(rules{noWaitFinal: true}))), retiring, lacks},
		{"a writer relies on excluded slabs, by captures", relying(beside(rules{reliesOnExcluded: true})), retiring, lacks},
		{"a writer relies on excluded slabs", beside(rules{reliesOnExcluded: true}), leftovers, lacks},
		{"a writer commits without a look at its lease", beside(rules{commitUnchecked: true}), leftovers, lacks},
		{"a commit takes longer than half a lease's life", beside(rules{slowCommit: true}), leftovers, lacks},
		{"a writer renews a lease that has lapsed", beside(rules{renewsLapsed: true}), leftovers, lacks},
		{"a renewed lease counts as begun anew", beside(rules{beginsAnew: true}), leftovers, lacks},
		{"leases are listed before the final mark is put", beside(rules{leasesBeforeFinal: true}), leftovers, lacks},
		{"leases are not listed", beside(rules{skipsLeases: true}), leftovers, lacks},
		{"captures are not read again", beside(rules{keepsCaptures: true}), leftovers, lacks},
		{"marks are not read again", undoing(rules{keepsMarks: true}), kept, unkept},
		{"read again, a young retired mark counts", undoing(rules{anyMark: true}), kept, early},
		{"slabs stay for needed captures only", beside(rules{againstNeeded: true}), overtaken, lacks},
		{"slabs are removed before index files", undoing(rules{slabsFirst: true}), kept, lacks},
		{"a lower generation goes after its slab", rewriting(rules{oldIndexLast: true}), kept, remains},
		{"the final mark goes before the announcement", unmarking(rules{finalBeforeAnnounce: true}), rescued, lacks},
		{".gone is put after the removal", undoing(rules{goneLast: true}), kept, vanished},
		{"a run does not go on where .gone is there", undoing(rules{leavesGone: true}), kept, remains},
		{"undo without a lease", undoing(rules{undoUnleased: true}), kept, unkept},
		{"undo without a look at its lease", undoing(rules{undoUnchecked: true}), kept, unkept},
		{"undo without a look whether the capture is there", undoing(rules{undoBlind: true}), kept, unkept},
		{"undo looks for the capture before it reads final marks", undoing(rules{undoLooksFirst: true}), kept, unkept},
		{"a reclaimer rewrites without a look at its lease", two(rules{rewritesUnchecked: true}), kept, lacks},
		{"late listings, half the wait before the leases", late(beside(rules{oneWait: true})), leftovers, lacks},
		{"late listings, half the wait before the leases: an operator", late(undoing(rules{oneWait: true})), kept, unkept},
		{"late listings, no wait after the leases", late(beside(rules{noWaitLeases: true})), leftovers, lacks},
		{"late listings, no wait after the leases: an operator", late(undoing(rules{noWaitLeases: true})), kept, unkept},
		{"late listings, no wait before the final mark goes", late(beside(rules{noWaitFinal: true})), leftovers, lacks},
		{"late listings, no wait before the final mark goes: an operator", late(undoing(rules{noWaitFinal: true})), kept, unkept},
		{"a writer relies on a slab without its base", standing(model{rules: rules{relaysBaseless: true}, writers: 2, reclaimers: 1, runs: 1, jumps: true}), leftovers, lacks},
		{"a clock that jumps, a writer does not look at its slab's base", standing(jumping(rules{basesUnwatched: true})), retiring, lacks},
		{"a clock that jumps, no look after a commit", jumping(rules{noLookAfter: true}), leftovers, lacks},
		{"a clock that jumps, no look at final marks", jumping(rules{finalsNotLooked: true}), leftovers, lacks},
		{"a clock that jumps, no look at the own lease", jumping(rules{leaseNotLooked: true}), leftovers, lacks},
		{"a clock that jumps, the lease is looked at first", jumping(rules{leaseLookedFirst: true}), leftovers, lacks},
		{"a clock that jumps, leases taken for dead stay until the final mark is gone", jumping(rules{leavesDead: true}), leftovers, lacks},
		{"a clock that jumps, no look after a mark", jumpingMarks(rules{noLookAfter: true}), kept, unkept},
		{"a clock that jumps, an operator looks at its lease first", jumpingMarks(rules{leaseLookedFirst: true}), kept, unkept},
		{"a clock that jumps, an operator looks at final marks alone", jumpingMarks(rules{leaseNotLooked: true}), kept, unkept},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := c.m.from(c.start)
			t.Log(r)
			if !strings.Contains(r.broken, c.want) || r.broken == "" {
				t.Errorf("found %q, want %q", r.broken, c.want)
			}
		})
	}
}

// TestRulesToSpare finds rules without which the model loses nothing: they save
// work, or keep what is on disk in order, or matter beyond the model's bounds.
func TestRulesToSpare(t *testing.T) {
	for _, c := range []broken{
		{"reclaimers don't look for each other", two(rules{reclaimersMeet: true}), kept, ""},
		{"a reclaimer removes without a look at its lease", two(rules{removesUnchecked: true}), kept, ""},
		{"a slab's base goes before it", standing(model{rules: rules{basesGoAlone: true}, writers: 2, reclaimers: 1, runs: 1}), leftovers, ""},
		{"the highest generation goes first", rewriting(rules{highestFirst: true}), kept, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			if r := c.m.from(c.start); r.broken != "" {
				t.Error(r)
			}
		})
	}
}
