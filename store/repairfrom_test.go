package store

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/internal/names"
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
	first := put(here, text(1, 400_000)+text(2, 2_000_000))
	put(here, text(1, 400_000)+text(3, 50_000))
	put(here, interleaved(text(2, 2_000_000), text(4, 900_000)))
	here.replicate(there)
	put(there, text(5, 90_000)+text(1, 300_000))
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

// TestRepairFromOnePlace harms one of two places at random: all comes back.
func TestRepairFromOnePlace(t *testing.T) {
	p := newTwoPlaces(t)
	for seed := range roundsOf(t, 500) {
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

// roundsOf gives how many rounds a test runs: fewer where tests are to be short, or as KIST_TEST_ROUNDS says.
func roundsOf(t *testing.T, n int) int {
	if s := os.Getenv("KIST_TEST_ROUNDS"); s != "" {
		given, err := strconv.Atoi(s)
		if err != nil {
			t.Fatal(err)
		}
		return given
	}
	if testing.Short() {
		return n / 20
	}
	return n
}
