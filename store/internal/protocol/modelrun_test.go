package protocol

import "testing"

var (
	base    = state{there: slabA | slabB | indexOld, wasThere: true}
	orphans = state{there: slabA | slabB}
	old     = state{there: slabA | slabB | indexOld | retired, wasThere: true, graceOver: true}
)

func (m model) run(s state) result {
	for i := range m.reclaimers {
		s.reclaimer[i].left = uint8(m.runs)
	}
	s.operator.left = uint8(m.changes)
	return m.search([]state{s}, m.drained)
}

func TestTry(t *testing.T) {
	for _, c := range []struct {
		name string
		m    model
		s    state
	}{
		{"2w orphans", model{writers: 2, reclaimers: 1, runs: 2, crashes: true}, orphans},
		{"1w op", model{writers: 1, reclaimers: 1, runs: 2, changes: 2, crashes: true}, base},
		{"1w op3", model{writers: 1, reclaimers: 1, runs: 3, changes: 2, crashes: true}, base},
		{"op3", model{reclaimers: 1, runs: 3, changes: 4, crashes: true}, base},
		{"op3 nograce", model{reclaimers: 1, runs: 3, changes: 4, crashes: true, noGrace: true}, base},
		{"rewrite", model{writers: 1, reclaimers: 1, runs: 3, changes: 1, crashes: true, rewrite: true}, base},
		{"2r", model{writers: 1, reclaimers: 2, runs: 2, changes: 0, crashes: true}, old},
		{"2r op", model{writers: 0, reclaimers: 2, runs: 2, changes: 2, crashes: true, rewrite: true}, base},
		{"lag", model{writers: 1, reclaimers: 1, runs: 2, changes: 0, crashes: true, lag: true}, old},
		{"lag op", model{writers: 0, reclaimers: 1, runs: 2, changes: 2, crashes: true, lag: true}, base},
		{"lag 2w", model{writers: 2, reclaimers: 1, runs: 1, changes: 0, crashes: true, lag: true}, orphans},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := c.m.run(c.s)
			t.Log(r)
			if r.broken != "" {
				t.Fail()
			}
		})
	}
}
