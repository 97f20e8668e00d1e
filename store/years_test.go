package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestYears lets several machines capture, retire, hold, take back, reclaim, crash
// and wait at random, also right between two storage calls of each other, beside a
// plain model of what must be there. KIST_TEST_ROUNDS sets the number of runs.
func TestYears(t *testing.T) {
	runs := 30
	if testing.Short() {
		runs = 15
	}
	checkRounds(t, rounds(t, runs), inBubble(t, func(rt *rapid.T) {
		y := newYears(rt)
		defer os.RemoveAll(y.state)
		rt.Repeat(map[string]func(*rapid.T){
			"capture":   y.alone(y.capture),
			"retire":    y.alone(y.retire),
			"hold":      y.alone(y.hold),
			"release":   y.alone(y.release),
			"reinstate": y.alone(y.reinstate),
			"reclaim":   y.alone(y.reclaim),
			"crash":     y.crash,
			"beside":    y.beside,
			"wait":      y.wait,
			"restore":   y.restoreOne,
			"harm":      y.harm,
			"deltas":    y.alone(y.setDeltas),
		})
		y.checkAll()
	}))
}

// years is a repository, and the model of it.
type years struct {
	t       *rapid.T
	mem     *storage.Memory
	key     *crypt.KeyFile
	model   map[string]*modelCapture // by id
	version int
	grace   time.Duration
	failure error
	state   string // folder of what the machines know: none ever warns
	other   *years // another place, if there is one
	parity  int    // percent
}

// drawParity has a third of the runs with parity, which takes its time.
func drawParity(t *rapid.T) int { return rapid.SampledFrom([]int{0, 0, 3}).Draw(t, "parity") }

type modelCapture struct {
	stream  []byte
	held    bool
	retired time.Time // zero: it is not
	gone    bool      // it was retired for the grace time, and may have been removed
}

func (m *modelCapture) String() string {
	return fmt.Sprintf("held: %v, retired: %v, gone: %v", m.held, m.retired, m.gone)
}

// log tells a story, for whoever reads of a failure.
func (y *years) log(format string, args ...any) {
	y.t.Logf(time.Now().UTC().Format("02 15:04:05 ")+format, args...)
}

func newYears(t *rapid.T) *years {
	y := &years{t: t, mem: storage.NewMemory(), key: crypt.NewKeyFile(), model: make(map[string]*modelCapture), grace: 24 * time.Hour}
	apart := rapid.SampledFrom([]store.Apart{store.Together, store.ApartCompressed, store.ApartStored}).Draw(t, "apart")
	y.parity = drawParity(t)
	deltas := store.DeltasOff
	if apart == store.Together {
		deltas = rapid.SampledFrom([]store.Deltas{store.DeltasOff, store.DeltasOwn, store.DeltasOn, store.DeltasOn}).Draw(t, "deltas")
	}
	r, err := store.Create(context.Background(), y.mem, y.key, store.CreateOptions{ChunkAverage: 8192, Grace: y.grace, Apart: apart, Deltas: deltas, Parity: y.parity})
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
	if y.state, err = os.MkdirTemp("", "kist-years-"); err != nil {
		t.Fatal(err)
	}
	return y
}

// action is something a machine does. It tells the model what became of it.
type action func(t *rapid.T, r *store.Repository) error

// cache gives where a machine keeps what it saw, or "" for one that keeps nothing: what is kept
// decides how a writer finds out which slabs are there.
func (y *years) cache() string {
	if !rapid.Bool().Draw(y.t, "keeps copies") {
		return ""
	}
	return filepath.Join(y.state, "copies")
}

// open opens the repository as one more machine.
func (y *years) open(st storage.Storage) *store.Repository {
	r, err := store.Open(context.Background(), st, y.key, store.OpenOptions{
		State: y.state, Warn: func(err error) { y.fail("warned of %w", err) }, Cache: y.cache(),
	})
	if err != nil {
		y.t.Fatal(err)
	}
	return r
}

// medium gives the storage as a machine sees it: as a folder, or as an object store, which lists from a name on.
func (y *years) medium() *storagetest.Faulty {
	if rapid.Bool().Draw(y.t, "lists from a name on") {
		return storagetest.NewFaulty(storagetest.NewRequests(y.mem))
	}
	return storagetest.NewFaulty(y.mem)
}

func (y *years) alone(a action) func(*rapid.T) {
	return func(t *rapid.T) {
		y.t = t
		r := y.open(y.medium()) // which can tell names alone
		defer r.Close()
		y.tolerate(a(t, r))
		y.learn()
	}
}

// any draws one of the actions.
func (y *years) any(t *rapid.T, label string) action {
	return rapid.SampledFrom([]action{y.capture, y.retire, y.hold, y.release, y.reinstate, y.reclaim, y.reclaim}).Draw(t, label)
}

// crash lets a machine stop at some storage call for good.
func (y *years) crash(t *rapid.T) {
	y.t = t
	faulty := y.medium()
	r := y.open(faulty)
	defer r.Close()
	faulty.Reset()
	faulty.Inject(storagetest.Fault{
		From:   rapid.IntRange(0, 90).Draw(t, "at call"),
		Effect: rapid.SampledFrom([]storagetest.Effect{storagetest.Fail, storagetest.FailAfter}).Draw(t, "effect"),
	})
	err := y.any(t, "who crashes")(t, r)
	if err != nil && !errors.Is(err, storagetest.ErrInjected) && !errors.Is(err, store.ErrBusy) && !errors.Is(err, store.ErrUnexplained) {
		t.Fatal(err)
	}
	y.learn()
	y.verify(store.VerifyOptions{})
}

// beside lets one machine do something at a moment between two storage calls of
// another.
func (y *years) beside(t *rapid.T) {
	y.t = t
	faulty := y.medium()
	r, other := y.open(faulty), y.open(y.mem)
	defer r.Close()
	defer other.Close()
	outer, inner := y.any(t, "outer"), y.any(t, "inner")
	left := rapid.IntRange(0, 40).Draw(t, "at call")
	pause := rapid.SampledFrom([]time.Duration{0, 0, 10 * time.Minute, time.Hour, 26 * time.Hour}).Draw(t, "pause")
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
		y.log("before %s %s: pause of %v", m, name, pause)
		time.Sleep(pause)
		inside := inner(t, other)
		y.tolerate(inside)
	})
	y.tolerate(outer(t, r))
	y.learn()
}

// tolerate notes an error that no race explains. It may be called by any goroutine.
func (y *years) tolerate(err error) {
	for _, ok := range []error{nil, store.ErrBusy, store.ErrTooLate, store.ErrNotFound, store.ErrRetired, store.ErrHeld, store.ErrOvertaken, store.ErrUnexplained} {
		if errors.Is(err, ok) {
			return
		}
	}
	y.fail("%w", err)
}

// fail notes a failure, for learn to report.
func (y *years) fail(format string, args ...any) {
	if y.failure == nil {
		y.failure = fmt.Errorf(format, args...)
	}
}

func (y *years) wait(t *rapid.T) {
	y.t = t
	time.Sleep(rapid.SampledFrom([]time.Duration{time.Second, time.Minute, time.Hour, 25 * time.Hour}).Draw(t, "time"))
}

func (y *years) capture(t *rapid.T, r *store.Repository) error {
	y.version++
	in := yearsStream(t, y.version)
	y.log("capture begins")
	defer func() { y.log("capture ends") }()
	name := rapid.SampledFrom([]string{"seedbank", "seedbank", "orchard"}).Draw(t, "name")
	c, err := r.Capture(context.Background(), store.CaptureOptions{Name: name, Volumes: []store.VolumeInput{stream(in)}, Version: fmt.Sprint(y.version)})
	if err != nil {
		// It may be there all the same.
		y.model[fmt.Sprintf("version %d", y.version)] = &modelCapture{stream: in}
		y.log("capture: %v", err)
		return err
	}
	y.log("captured %s", c.ID)
	y.model[c.ID] = &modelCapture{stream: in}
	return nil
}

// yearsStream gives a stream that shares most with others, or is much like them.
func yearsStream(t *rapid.T, version int) []byte {
	var b bytes.Buffer
	for range rapid.IntRange(1, 4).Draw(t, "parts") {
		part := random(byte(rapid.IntRange(0, 9).Draw(t, "part")), 30_000)
		for n := range rapid.IntRange(0, 2).Draw(t, "changes") { // so that chunks are alike
			part[(n+1)*rapid.IntRange(0, 9_999).Draw(t, "at")] ^= byte(version)
		}
		b.Write(part)
	}
	fmt.Fprintf(&b, "version %d", version)
	return b.Bytes()
}

// pick draws a capture of the model that fits, or "".
func (y *years) pick(t *rapid.T, fits func(*modelCapture) bool) string {
	var ids []string
	for _, id := range slices.Sorted(maps.Keys(y.model)) {
		if m := y.model[id]; !m.gone && id[0] != 'v' && fits(m) {
			ids = append(ids, id)
		}
	}
	if len(ids) == 0 {
		return ""
	}
	return rapid.SampledFrom(ids).Draw(t, "capture")
}

func (y *years) retire(t *rapid.T, r *store.Repository) error {
	id := y.pick(t, func(m *modelCapture) bool { return !m.held && m.retired.IsZero() })
	if id == "" {
		return nil
	}
	y.model[id].retired = time.Now() // even if it fails, it may be
	err := r.Retire(context.Background(), []string{id}, store.MarkOptions{})
	y.log("retire %s: %v", id, err)
	return err
}

func (y *years) hold(t *rapid.T, r *store.Repository) error {
	id := y.pick(t, func(m *modelCapture) bool { return !m.held && m.retired.IsZero() })
	if id == "" {
		return nil
	}
	err := r.Hold(context.Background(), []string{id}, store.MarkOptions{})
	y.log("hold %s: %v", id, err)
	if err == nil {
		y.model[id].held = true
	}
	return err
}

func (y *years) release(t *rapid.T, r *store.Repository) error {
	id := y.pick(t, func(m *modelCapture) bool { return m.held })
	if id == "" {
		return nil
	}
	y.model[id].held = false
	y.log("release %s", id)
	return r.Release(context.Background(), []string{id})
}

func (y *years) reinstate(t *rapid.T, r *store.Repository) error {
	id := y.pick(t, func(m *modelCapture) bool { return !m.retired.IsZero() })
	if id == "" {
		return nil
	}
	err := r.Reinstate(context.Background(), []string{id}, store.MarkOptions{})
	y.log("reinstate %s: %v", id, err)
	if err == nil {
		y.model[id].retired = time.Time{}
	}
	if errors.Is(err, store.ErrTooLate) {
		y.model[id].gone = true
		return nil
	}
	return err
}

func (y *years) reclaim(t *rapid.T, r *store.Repository) error {
	o := store.ReclaimOptions{Grace: rapid.SampledFrom([]time.Duration{0, 0, store.NoGrace, time.Hour}).Draw(t, "grace")}
	if d, err := r.Deltas(context.Background()); err != nil {
		return err
	} else if d != store.DeltasOff && rapid.Bool().Draw(t, "to deltas") {
		o.ToDeltas = &store.ToDeltasOptions{Batch: rapid.SampledFrom([]int64{0, 60_000}).Draw(t, "batch")}
	}
	began := time.Now()
	grace := o.Grace
	if grace == 0 {
		grace = y.grace
	}
	y.log("reclaim begins, grace %v", grace)
	out, err := r.Reclaim(context.Background(), o)
	y.log("reclaim ends: %+v, %v", out, err)
	for _, m := range y.model {
		// Whoever retired meanwhile can be reclaimed as well.
		if !m.retired.IsZero() && time.Since(m.retired) >= grace {
			m.gone = m.gone || err != nil
		}
	}
	if out != nil {
		for _, id := range out.Captures {
			m := y.model[id]
			if m == nil || m.retired.IsZero() || m.held {
				y.fail("%s was removed, and is not retired: %v (began %v)", id, m, began)
				continue
			}
			m.gone = true
		}
	}
	return err
}

// setDeltas changes what captures from now on are said by.
func (y *years) setDeltas(t *rapid.T, r *store.Repository) error {
	d := rapid.SampledFrom([]store.Deltas{store.DeltasOff, store.DeltasOwn, store.DeltasOn}).Draw(t, "deltas")
	y.log("deltas are %q", d)
	err := r.SetDeltas(context.Background(), d, store.MarkOptions{})
	if errors.Is(err, store.ErrBadOptions) { // captures are apart
		return nil
	}
	return err
}

// harm changes some bytes of a slab with parity, and lets something happen before that is repaired.
func (y *years) harm(t *rapid.T) {
	y.t = t
	slabs, err := y.mem.List(context.Background(), "slabs")
	if err != nil {
		t.Fatal(err)
	}
	if y.parity == 0 || len(slabs) == 0 {
		return
	}
	info := rapid.SampledFrom(slabs).Draw(t, "slab")
	at := rapid.IntRange(0, int(info.Size)-1).Draw(t, "at")
	y.log("harm %s at %d", info.Name, at)
	if err := flip(context.Background(), y.mem, info, at, min(int(info.Size)-at, 40)); err != nil {
		t.Fatal(err)
	}
	r := y.open(storagetest.NewFaulty(y.mem))
	defer r.Close()
	y.tolerate(y.any(t, "beside damage")(t, r))
	y.learn()
	y.restoreOne(t)
	out, err := r.Repair(context.Background(), store.RepairOptions{})
	if err != nil && !errors.Is(err, store.ErrBusy) || err == nil && !out.Mended() {
		t.Fatalf("%+v, %v", out, err)
	}
	if err != nil { // somebody who crashed is taken to be at work
		time.Sleep(2 * time.Hour)
		if out, err = r.Repair(context.Background(), store.RepairOptions{}); err != nil || !out.Mended() {
			t.Fatalf("%+v, %v", out, err)
		}
	}
	y.verify(store.VerifyOptions{Full: true})
}

// learn finds out what became of actions that were stopped.
func (y *years) learn() {
	if y.failure != nil {
		y.t.Fatal(y.failure)
	}
	r := y.open(y.mem)
	defer r.Close()
	all, err := r.AllCaptures(context.Background())
	if err != nil {
		y.t.Fatal(err)
	}
	for _, c := range all {
		if m, ok := y.model["version "+c.Version]; ok && y.model[c.ID] == nil {
			y.model[c.ID] = m
		}
		m := y.model[c.ID]
		if m == nil && y.other != nil && y.other.model[c.ID] != nil {
			m = &modelCapture{stream: y.other.model[c.ID].stream} // copied from there
			y.model[c.ID] = m
		}
		if m == nil {
			y.t.Fatalf("capture %s was never made", c.ID)
		}
		m.held, m.retired = c.Held, time.Time{}
		if c.Retired != nil {
			m.retired = c.Retired.At
		}
	}
	maps.DeleteFunc(y.model, func(id string, _ *modelCapture) bool { return id[0] == 'v' })
}

func (y *years) restoreOne(t *rapid.T) {
	y.t = t
	id := y.pick(t, func(m *modelCapture) bool { return m.retired.IsZero() })
	if id == "" {
		return
	}
	r := y.open(y.mem)
	defer r.Close()
	c, err := r.Find(context.Background(), id)
	if err != nil {
		t.Fatal(err)
	}
	y.checkStream(r, c)
}

func (y *years) checkStream(r *store.Repository, c *store.Capture) {
	var out bytes.Buffer
	if err := r.Restore(context.Background(), &c.Volumes[0], &out, store.RestoreOptions{}); err != nil {
		y.t.Fatalf("%s: %v", c.ID, err)
	}
	if !bytes.Equal(out.Bytes(), y.model[c.ID].stream) {
		y.t.Fatalf("%s restores to something else", c.ID)
	}
}

// checkAll holds the repository against the model, reclaims all that can be, and
// looks again.
func (y *years) checkAll() {
	y.learn()
	y.check()
	time.Sleep(2 * time.Hour) // the dead are dead
	r := y.open(y.mem)
	defer r.Close()
	if _, err := r.Reclaim(context.Background(), store.ReclaimOptions{Grace: store.NoGrace, AcceptUnexplained: y.empty(r)}); err != nil {
		y.t.Fatal(err)
	}
	for _, m := range y.model {
		m.gone = m.gone || !m.retired.IsZero()
	}
	y.check()
	if infos, err := y.mem.List(context.Background(), "leases"); err != nil || len(infos) > 0 {
		y.t.Fatalf("left over: %v, %v", infos, err)
	}
}

// empty tells that no capture is left: then what was interrupted is not freed unasked.
func (y *years) empty(r *store.Repository) bool {
	all, err := r.AllCaptures(context.Background())
	if err != nil {
		y.t.Fatal(err)
	}
	return len(all) == 0
}

func (y *years) verify(o store.VerifyOptions) {
	r := y.open(y.mem)
	defer r.Close()
	report, err := r.Verify(context.Background(), o)
	if err != nil || !report.OK {
		y.t.Fatalf("%+v, %v", report, err)
	}
}

func (y *years) check() {
	r := y.open(y.mem)
	defer r.Close()
	y.verify(store.VerifyOptions{Full: true})
	all, err := r.AllCaptures(context.Background())
	if err != nil {
		y.t.Fatal(err)
	}
	there := make(map[string]bool)
	for _, c := range all {
		there[c.ID] = true
		y.checkStream(r, c)
	}
	for id, m := range y.model {
		if !m.gone && !there[id] {
			y.t.Fatalf("%s is not there, and must be: held %v, retired %v", id, m.held, m.retired)
		}
	}
}
