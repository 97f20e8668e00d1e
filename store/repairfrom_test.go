package store

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// twoPlaces are the objects of two places of one repository that have the same captures.
type twoPlaces struct {
	t        *testing.T
	a, b     *site
	here     map[string][]byte
	there    map[string][]byte
	contents map[string][]byte // by capture
}

// newTwoPlaces gives some captures of which one was taken in the second place and the rest in the first, of which one was
// moved to other slabs in the first. Slabs have several frames, and recipes of level 1 are among them.
func newTwoPlaces(t *testing.T) *twoPlaces {
	p := &twoPlaces{t: t, a: newSite(t), contents: make(map[string][]byte)}
	p.b = p.a.replica()
	here, there := p.a.open(""), p.b.open("")
	put := func(m *machine, content string) *Capture {
		c := m.put("seedbank", content)
		p.contents[c.ID] = []byte(content)
		return c
	}
	first := put(here, text(1, 200_000)+text(2, 500_000))
	put(here, text(1, 200_000)+text(3, 50_000))
	put(here, interleaved(text(2, 500_000), text(4, 300_000)))
	here.replicate(there)
	put(there, text(5, 90_000)+text(1, 150_000))
	there.replicate(here)
	delete(p.contents, first.ID)
	here.retireNow(first.ID) // moves what is still needed of its slabs
	there.retireNow(first.ID)
	put(here, text(3, 50_000)+"last")
	here.replicate(there)
	p.here, p.there = p.a.allObjects(), p.b.allObjects()
	return p
}

// interleaved gives stretches of two texts by turns: many runs.
func interleaved(a, b string) string {
	var out strings.Builder
	for i := 0; i+40_000 <= len(a) && i/3+12_000 <= len(b); i += 40_000 {
		out.WriteString(a[i : i+30_000])
		out.WriteString(b[i/3 : i/3+12_000])
	}
	return out.String()
}

// damageable gives the objects that repairing is to bring back.
func damageable(objects map[string][]byte) (all []string) {
	for name := range objects {
		for _, folder := range []string{names.Slabs, names.Tables, names.Captures} {
			if strings.HasPrefix(name, folder+"/") || strings.HasPrefix(name, folder) && strings.HasSuffix(folder, "/") {
				all = append(all, name)
			}
		}
	}
	slices.Sort(all)
	return all
}

// harm changes some objects at random, and says how. An index file is changed and not removed: then it would have vanished.
func harm(r *rand.Rand, objects map[string][]byte, most int) (harmed map[string][]byte, how []string) {
	harmed = maps.Clone(objects)
	all := damageable(objects)
	for range 1 + r.IntN(most) {
		name := all[r.IntN(len(all))]
		content, ok := harmed[name]
		if !ok || len(content) == 0 {
			continue
		}
		content = bytes.Clone(content)
		switch way := r.IntN(4); {
		case way == 0 && !strings.HasPrefix(name, names.Captures):
			delete(harmed, name)
			how = append(how, name+" removed")
			continue
		case way == 1:
			n := r.IntN(len(content))
			content = content[:n]
			how = append(how, fmt.Sprintf("%s cut to %d", name, n))
		default:
			at := r.IntN(len(content))
			if strings.HasPrefix(name, names.Tables) {
				at = max(at, min(16, len(content)-1)) // before that lies what may be of a later version: such a table stays
			}
			content[at] ^= 1 << r.IntN(8)
			how = append(how, fmt.Sprintf("%s flipped at %d of %d", name, at, len(content)))
		}
		harmed[name] = content
	}
	return harmed, how
}

// repairFrom repairs one place from the other.
func (m *machine) repairFrom(other *machine) *Repaired {
	m.t.Helper()
	out, err := m.Repair(m.t.Context(), RepairOptions{From: other.Repository})
	if err != nil {
		m.t.Fatal(err)
	}
	return out
}

// restores gives the captures that restore as they were captured; what restores to something else without an error is
// the worst that can be.
func (p *twoPlaces) restores(t *testing.T, m *machine) map[string]bool {
	t.Helper()
	whole := make(map[string]bool)
	captures, _ := m.AllCaptures(t.Context())
	for _, c := range captures {
		var b bytes.Buffer
		if err := m.Restore(t.Context(), &c.Volumes[0], &b, RestoreOptions{}); err != nil {
			continue
		}
		if !bytes.Equal(b.Bytes(), p.contents[c.ID]) {
			t.Errorf("capture %s restores to something else", c.ID)
		}
		whole[c.ID] = true
	}
	return whole
}

// optional counts the recipes without which nothing is lost.
func (p *twoPlaces) optional(t *testing.T, m *machine) (n int) {
	t.Helper()
	captures, err := m.AllCaptures(t.Context())
	if err != nil {
		t.Error(err)
	}
	for _, c := range captures {
		recipes := []*format.Recipe{c.captured.Seen}
		for i := range c.captured.Volumes {
			recipes = append(recipes, c.captured.Volumes[i].States, c.captured.Volumes[i].Order)
		}
		for _, recipe := range recipes {
			if recipe != nil {
				n++
			}
		}
	}
	return n
}

// repairRounds gives how many rounds a test runs: fewer where tests are to be short, or as KIST_TEST_ROUNDS says.
func repairRounds(t *testing.T, usual int) int {
	if testing.Short() {
		usual /= 10
	}
	n, err := strconv.Atoi(cmp.Or(os.Getenv("KIST_TEST_ROUNDS"), strconv.Itoa(usual)))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// TestRepairFromOnePlace harms one of two places at random: all comes back.
func TestRepairFromOnePlace(t *testing.T) {
	p := newTwoPlaces(t)
	for seed := range repairRounds(t, 40) {
		p.onePlace(t, uint64(seed))
	}
}

func (p *twoPlaces) onePlace(t *testing.T, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 1))
	harmed, how := harm(r, p.here, 6)
	name := fmt.Sprintf("seed %d: %v", seed, how)
	a, b := p.a.copyOf(t, harmed), p.b.copyOf(t, p.there)
	here, there := a.open(""), b.open("")
	defer here.Close()
	defer there.Close()
	out := here.repairFrom(there)
	if !out.Mended() {
		t.Errorf("%s: %+v", name, out)
	}
	if whole := p.restores(t, here); len(whole) != len(p.contents) {
		t.Errorf("%s: only %v restore: %+v", name, whole, out)
	}
	if left := p.optional(t, here); left != p.optional(t, there) {
		t.Errorf("%s: of what nothing is lost without, %d are left: %+v", name, left, out)
	}
	if !maps.EqualFunc(b.allObjects(), p.there, bytes.Equal) {
		t.Errorf("%s: the other place was changed", name)
	}
	if _, err := here.Reclaim(t.Context(), ReclaimOptions{Grace: NoGrace}); err != nil {
		t.Errorf("%s: %v", name, err)
	}
	if report, err := here.Verify(t.Context(), VerifyOptions{Full: true}); err != nil || !report.OK {
		t.Errorf("%s: after reclaiming: %+v, %v", name, report, err)
	}
	if again := here.repairFrom(there); !again.Mended() || len(again.Healed)+len(again.PutBack)+len(again.Restored)+again.Taken > 0 {
		t.Errorf("%s: again: %+v", name, again)
	}
}

// TestRepairFromBothWays harms both of two places at random. Repaired from each other, all comes back in both that is
// whole in either; what is lost is named, and everything else restores.
func TestRepairFromBothWays(t *testing.T) {
	p := newTwoPlaces(t)
	whole := 0
	for seed := range repairRounds(t, 60) {
		if p.bothWays(t, uint64(seed)) {
			whole++
		}
	}
	t.Logf("all came back in %d rounds", whole)
}

// bothWays tells whether nothing was lost.
func (p *twoPlaces) bothWays(t *testing.T, seed uint64) bool {
	r := rand.New(rand.NewPCG(seed, 2))
	harmedHere, how := harm(r, p.here, 3)
	harmedThere, also := harm(r, p.there, 3)
	name := fmt.Sprintf("seed %d: here %v, there %v", seed, how, also)
	a, b := p.a.copyOf(t, harmedHere), p.b.copyOf(t, harmedThere)
	here, there := a.open(""), b.open("")
	defer here.Close()
	defer there.Close()
	here.repairFrom(there)
	second := there.repairFrom(here)
	first := here.repairFrom(there)
	for m, out := range map[*machine]*Repaired{here: first, there: second} {
		named := make(map[string]bool)
		for _, l := range out.Lost {
			named[l.Capture] = true
		}
		for _, id := range slices.Concat(out.Unreadable, out.Vanished) {
			named[id] = true
		}
		restored := p.restores(t, m)
		for id := range p.contents {
			if !restored[id] && !named[id] {
				t.Errorf("%s: capture %s does not restore, and is not named: %+v", name, id, out)
			}
			if named[id] && !p.lostInBoth(id, harmedHere, harmedThere) {
				t.Errorf("%s: capture %s is lost in %q: %+v", name, id, m.Place(), out)
			}
		}
	}
	return first.Mended() && second.Mended()
}

// lostInBoth tells whether objects of both places were harmed that a capture may have been lost by: an index file of it,
// or slabs.
func (p *twoPlaces) lostInBoth(id string, here, there map[string][]byte) bool {
	changed := func(now, was map[string][]byte) (all []string) {
		for name, content := range was {
			if !bytes.Equal(now[name], content) && (strings.HasPrefix(name, names.Slabs) || strings.Contains(name, id)) {
				all = append(all, name)
			}
		}
		return all
	}
	return len(changed(here, p.here)) > 0 && len(changed(there, p.there)) > 0
}

// TestRepairFromFaults lets a call fail, or all from it on, before or after it did what it was to, at whatever place: what restored
// before does so still, the other place is as it was but for leases, and the next run mends all. With KIST_TEST_ROUNDS each call fails
// in each way.
func TestRepairFromFaults(t *testing.T) {
	p := newTwoPlaces(t)
	harmed := maps.Clone(p.here)
	all := damageable(p.here)
	for i, name := range all { // every second object, each in another way
		content := bytes.Clone(p.here[name])
		switch {
		case i%2 == 0:
		case strings.HasPrefix(name, names.Slabs) && i%4 == 1:
			delete(harmed, name)
		default:
			content[len(content)/2] ^= 1
			harmed[name] = content
		}
	}
	before := p.restores(t, p.a.copyOf(t, harmed).open(""))
	steps := map[string]int{"here": 11, "there": 5}
	switch {
	case os.Getenv("KIST_TEST_ROUNDS") != "":
		steps = map[string]int{"here": 1, "there": 1}
	case testing.Short():
		steps = map[string]int{"here": 41, "there": 17}
	}
	for side, step := range steps {
		fired := 0
		for i, way := range []storagetest.Fault{
			{Effect: storagetest.Fail}, {Effect: storagetest.Fail, Once: true}, {Effect: storagetest.FailAfter}, {Effect: storagetest.FailAfter, Once: true},
		} {
			for way.From = i * step / 4; p.repairFault(t, harmed, before, side, way); way.From += step {
				fired++
			}
		}
		t.Logf("%s: %d faults", side, fired)
		if fired < 3 {
			t.Errorf("%s: only %d faults fired", side, fired)
		}
	}
}

func (p *twoPlaces) repairFault(t *testing.T, harmed map[string][]byte, before map[string]bool, side string, way storagetest.Fault) bool {
	name := fmt.Sprintf("%s, %+v", side, way)
	a, b := p.a.copyOf(t, harmed), p.b.copyOf(t, p.there)
	faulty := map[string]*storagetest.Faulty{"here": storagetest.NewFaulty(a.mem), "there": storagetest.NewFaulty(b.mem)}
	here, there := a.openOver(t, faulty["here"]), b.openOver(t, faulty["there"])
	defer here.Close()
	defer there.Close()
	faulty[side].Reset()
	faulty[side].Inject(way)
	_, err := here.Repair(t.Context(), RepairOptions{From: there})
	fired := faulty[side].Calls(storagetest.Any) > way.From
	if err != nil && !errors.Is(err, storagetest.ErrInjected) {
		t.Errorf("%s: %v", name, err)
	}
	left, _ := a.mem.List(t.Context(), names.Leases) // of one that was cut off
	for _, info := range left {
		a.remove(info.Name)
	}
	again, other := a.open(""), b.open("")
	defer again.Close()
	defer other.Close()
	now := p.restores(t, again)
	for id := range before {
		if !now[id] {
			t.Errorf("%s: capture %s does not restore any more", name, id)
		}
	}
	for object, content := range b.allObjects() {
		if !strings.HasPrefix(object, names.Leases) && !bytes.Equal(content, p.there[object]) {
			t.Errorf("%s: %s was changed in the other place", name, object)
		}
	}
	if out := again.repairFrom(other); !out.Mended() {
		t.Errorf("%s: the next run: %+v", name, out)
	}
	if whole := p.restores(t, again); len(whole) != len(p.contents) {
		t.Errorf("%s: only %v restore", name, whole)
	}
	return fired
}

// What is no other place, or the same one, is refused; what vanished is offered.
func TestRepairFromRefuses(t *testing.T) {
	a := newSite(t)
	here, there, stranger := a.open(""), a.replica().open(""), newSite(t).open("")
	for from, want := range map[*Repository]error{stranger.Repository: ErrNotReplica, here.Repository: ErrSamePlace} {
		if _, err := here.Repair(t.Context(), RepairOptions{From: from}); !errors.Is(err, want) {
			t.Errorf("%v, not %v", err, want)
		}
	}
	one := here.put("seedbank", "one")
	here.put("seedbank", "two")
	here.replicate(there)
	a.remove(names.Capture(one.ID, 0))
	out := here.repairFrom(there)
	if !slices.Equal(out.Offered, []string{one.ID}) || !slices.Equal(out.Vanished, out.Offered) {
		t.Errorf("%+v", out)
	}
	there.replicate(here, one.ID)
	if out := here.repairFrom(there); !out.Mended() || !bytes.Equal(here.restored(one), []byte("one")) {
		t.Errorf("%+v", out)
	}
}

// An index file that can't be read here comes from the other place, and nothing of it is damaged any more, without reclaiming;
// one of a version that this release does not know stays where it is.
func TestRepairIndexFile(t *testing.T) {
	p := newTwoPlaces(t)
	for name, content := range p.here {
		if !strings.HasPrefix(name, names.Captures) {
			continue
		}
		unknown := 0
		for at := range min(len(content), 12) {
			unknown += p.indexFile(t, name, at)
		}
		if unknown += p.indexFile(t, name, len(content)/2); unknown == 0 {
			t.Errorf("%s was never of another version", name)
		}
		break
	}
}

// indexFile changes a byte, and tells whether that made it a file of another version.
func (p *twoPlaces) indexFile(t *testing.T, name string, at int) int {
	harmed := maps.Clone(p.here)
	harmed[name] = bytes.Clone(p.here[name])
	harmed[name][at] ^= 2
	a := p.a.copyOf(t, harmed)
	here, there := a.open(""), p.b.copyOf(t, p.there).open("")
	report, err := here.Verify(t.Context(), VerifyOptions{})
	if err != nil || report.OK {
		t.Fatalf("byte %d: %+v, %v", at, report, err)
	}
	later := strings.Contains(report.Damage[0].Problem, "version")
	out := here.repairFrom(there)
	if !out.Mended() || len(out.Restored) != 1 || slices.Equal(out.Marks, []string{name}) == later {
		t.Errorf("byte %d: %+v", at, out)
	}
	if len(p.restores(t, here)) != len(p.contents) {
		t.Errorf("byte %d: not all restores", at)
	}
	if report, err = here.Verify(t.Context(), VerifyOptions{}); err != nil || report.OK == later {
		t.Errorf("byte %d: %+v, %v", at, report, err)
	}
	if later {
		return 1
	}
	return 0
}
