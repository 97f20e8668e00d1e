package upgrade

import (
	"testing"
)

// TestStop: what runs is stopped; what the engine may start again is looked at until it stands, and nothing else is.
func TestStop(t *testing.T) {
	const few = 4 // operations: looking, stopping, and looking again
	for name, test := range map[string]struct {
		c      fakeContainer
		old    bool // the old one, which this run stopped
		fails  int  // which operation
		looked bool // again and again
		bad    bool
	}{
		"stands, without a policy":        {c: fakeContainer{policy: "no", started: true}},
		"stands, never started":           {c: fakeContainer{policy: "always"}},
		"stands, may be started":          {c: fakeContainer{policy: "always", started: true, starts: 1}, looked: true},
		"the old one, which was stopped":  {c: fakeContainer{policy: "always", started: true, starts: 1}, old: true},
		"runs, without a policy":          {c: fakeContainer{policy: "no", running: true, started: true}},
		"runs, started again by hand":     {c: fakeContainer{policy: "no", running: true, started: true, restarts: 3}},
		"can't be stopped":                {c: fakeContainer{policy: "no", running: true, started: true}, fails: 2, bad: true},
		"runs, and came up once":          {c: fakeContainer{policy: "always", running: true, started: true, starts: 1}},
		"runs, and came up several times": {c: fakeContainer{policy: "always", running: true, started: true, starts: 4, restarts: 3}, looked: true},
		"a stop fails between two starts": {c: fakeContainer{policy: "always", running: true, started: true, starts: 4, restarts: 3}, fails: 2, looked: true},
		"its state can't be seen":         {c: fakeContainer{policy: "no", running: true, started: true}, fails: 3, bad: true},
	} {
		t.Run(name, func(t *testing.T) {
			m := newPolicyMachine(t, "always")
			c := test.c
			c.id, c.name, c.image, c.labels = "c9", "seedbank", "seedbank:4.2.0", map[string]string{}
			m.containers = map[string]*fakeContainer{"c9": &c}
			m.how, m.at = failsBefore, test.fails
			dir := t.TempDir()
			u, _ := m.upgrader(dir)
			j, err := begin(dir, Record{Step: Back, Old: "c9", Container: "seedbank"})
			if err != nil {
				t.Fatal(err)
			}
			defer j.release()
			p := u.work(dir, j, u.Engine("engine")).side.(*pair)
			id := &p.Old
			if p.stood = test.old; !test.old {
				p.Old, p.New = "c0", "c9"
				id = &p.New
			}
			if err := p.stop(t.Context(), id); (err != nil) != test.bad {
				t.Fatal(err)
			}
			if looked := m.n >= looks; looked != test.looked || !looked && m.n > few {
				t.Errorf("%d operations", m.n)
			}
			if c.running != test.bad && test.fails < 3 {
				t.Errorf("running %t", c.running)
			}
		})
	}
}
