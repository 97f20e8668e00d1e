package store_test

import (
	"context"
	"errors"
	"os"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestPlaces is TestYears with two places of a repository: machines do in both what they can, and copy either way, also
// right between two storage calls of each other, and crash meanwhile. Nothing is lost in either place that was not
// retired there, and everything restores. KIST_TEST_ROUNDS sets the number of runs.
func TestPlaces(t *testing.T) {
	runs := 20
	if testing.Short() {
		runs = 8
	}
	checkRounds(t, rounds(t, runs), inBubble(t, func(rt *rapid.T) {
		p := newPlaces(rt)
		defer os.RemoveAll(p.here.state)
		rt.Repeat(map[string]func(*rapid.T){
			"here":   p.alone(p.here),
			"there":  p.alone(p.there),
			"copy":   p.copyAlone,
			"beside": p.beside,
			"crash":  p.crash,
			"wait":   func(t *rapid.T) { p.here.wait(t) },
		})
		p.checkAll()
	}))
}

type places struct{ here, there *years }

func newPlaces(t *rapid.T) *places {
	here := newYears(t)
	there := &years{t: t, mem: storage.NewMemory(), key: crypt.NewKeyFile(), model: make(map[string]*modelCapture), version: 1_000_000, grace: here.grace, state: here.state, other: here, parity: drawParity(t)}
	here.other = there
	first := here.open(here.mem)
	defer first.Close()
	r, err := store.CreateReplica(context.Background(), there.mem, first, there.key, store.ReplicaOptions{Parity: there.parity})
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
	return &places{here, there}
}

// learn finds out what became of actions, in both places.
func (p *places) learn(t *rapid.T) {
	p.here.t, p.there.t = t, t
	p.here.learn()
	p.there.learn()
	p.here.learn() // of what was only there
}

func (p *places) alone(y *years) func(*rapid.T) {
	return func(t *rapid.T) {
		p.here.t, p.there.t = t, t
		r := y.open(y.mem)
		defer r.Close()
		y.tolerate(y.any(t, "what")(t, r))
		p.learn(t)
	}
}

// ways gives one place and the other, in an order that is drawn.
func (p *places) ways(t *rapid.T) (from, to *years) {
	if rapid.Bool().Draw(t, "there and back") {
		return p.there, p.here
	}
	return p.here, p.there
}

// copying copies by way of two storages.
func (p *places) copying(t *rapid.T, from, to *years, fromSt, toSt storage.Storage) error {
	a, b := from.open(fromSt), to.open(toSt)
	defer a.Close()
	defer b.Close()
	var o store.ReplicateOptions
	if id := from.pick(t, func(*modelCapture) bool { return true }); id != "" && rapid.IntRange(0, 3).Draw(t, "named") == 0 {
		o.Captures = []string{id}
	}
	from.log("copying begins: %v", o.Captures)
	out, err := a.Replicate(context.Background(), b, o)
	from.log("copying ends: %+v, %v", out, err)
	if out != nil && (len(out.Damage) > 0 || len(out.Differ) > 0) {
		from.fail("copying found %+v and %v", out.Damage, out.Differ)
	}
	if out == nil {
		return err
	}
	for _, id := range out.Sent {
		if m := to.model[id]; m != nil { // it was there once, and is again
			*m = modelCapture{stream: m.stream}
		} else if m := from.model[id]; m != nil {
			to.model[id] = &modelCapture{stream: m.stream}
		}
	}
	return err
}

func (p *places) copyAlone(t *rapid.T) {
	p.here.t, p.there.t = t, t
	from, to := p.ways(t)
	from.tolerate(p.copying(t, from, to, from.mem, to.mem))
	p.learn(t)
}

// beside lets something happen in either place at a moment between two calls of copying, or copying between two of
// something else.
func (p *places) beside(t *rapid.T) {
	p.here.t, p.there.t = t, t
	from, to := p.ways(t)
	other, _ := p.ways(t)
	faulty := storagetest.NewFaulty(other.mem)
	left := rapid.IntRange(0, 60).Draw(t, "at call")
	pause := rapid.SampledFrom([]time.Duration{0, 0, 10 * time.Minute, time.Hour, 26 * time.Hour}).Draw(t, "pause")
	outer, what := rapid.Bool().Draw(t, "copying is outside"), other.any(t, "what")
	copying := func(fromSt, toSt storage.Storage) error { return p.copying(t, from, to, fromSt, toSt) }
	doing := func(st storage.Storage) error {
		r := other.open(st)
		defer r.Close()
		return what(t, r)
	}
	inner := func() error { return doing(other.mem) }
	if !outer {
		inner = func() error { return copying(from.mem, to.mem) }
	}
	inside := make(chan struct{}, 1) // one call at a time counts
	faulty.Before(func(m storagetest.Method, name string) {
		select {
		case inside <- struct{}{}:
			defer func() { <-inside }()
		default:
			return
		}
		if left--; left != 0 {
			return
		}
		other.log("before %s %s: pause of %v", m, name, pause)
		time.Sleep(pause)
		other.tolerate(inner())
	})
	switch {
	case !outer:
		other.tolerate(doing(faulty))
	case other == from:
		from.tolerate(copying(faulty, to.mem))
	default:
		from.tolerate(copying(from.mem, faulty))
	}
	p.learn(t)
}

// crash lets whoever copies stop at some call of either storage for good.
func (p *places) crash(t *rapid.T) {
	p.here.t, p.there.t = t, t
	from, to := p.ways(t)
	f, g := storagetest.NewFaulty(from.mem), storagetest.NewFaulty(to.mem)
	side := f
	if rapid.Bool().Draw(t, "where it is written") {
		side = g
	}
	// Opening makes some calls: what fails then is told by years.open, so the count begins later.
	at := rapid.IntRange(20, 120).Draw(t, "at call")
	side.Inject(storagetest.Fault{From: at, Effect: rapid.SampledFrom([]storagetest.Effect{storagetest.Fail, storagetest.FailAfter}).Draw(t, "effect")})
	err := p.copying(t, from, to, f, g)
	if !errors.Is(err, storagetest.ErrInjected) {
		from.tolerate(err)
	}
	p.learn(t)
	for _, y := range []*years{from, to} {
		y.verify(store.VerifyOptions{})
	}
}

// checkAll looks at both places, and then copies both ways: each has what the other one has, but for what was removed there.
func (p *places) checkAll() {
	t := p.here.t
	p.learn(t)
	p.here.check()
	p.there.check()
	time.Sleep(2 * time.Hour)
	for _, y := range []*years{p.here, p.there} { // whoever reclaimed and crashed left final marks
		r := y.open(y.mem)
		out, err := r.Reclaim(context.Background(), store.ReclaimOptions{AcceptUnexplained: true})
		r.Close()
		if out != nil {
			for _, id := range out.Captures {
				y.model[id].gone = true
			}
		}
		y.tolerate(err)
	}
	p.here.tolerate(p.final(p.here, p.there))
	p.there.tolerate(p.final(p.there, p.here))
	p.learn(t)
	p.here.checkAll()
	p.there.checkAll()
}

func (p *places) final(from, to *years) error {
	a, b := from.open(from.mem), to.open(to.mem)
	defer a.Close()
	defer b.Close()
	out, err := a.Replicate(context.Background(), b, store.ReplicateOptions{})
	if err != nil {
		return err
	}
	if !out.Complete() {
		from.fail("not all was copied: %+v", out)
	}
	wanted, err := a.Captures(context.Background())
	if err != nil {
		return err
	}
	there, err := b.AllCaptures(context.Background())
	if err != nil {
		return err
	}
	for _, c := range wanted {
		left := slices.ContainsFunc(out.Left, func(l store.NotSent) bool { return l.ID == c.ID })
		if !left && !slices.ContainsFunc(there, func(d *store.Capture) bool { return d.ID == c.ID }) {
			from.fail("%s was not copied, and nothing says why", c.ID)
		}
	}
	return nil
}
