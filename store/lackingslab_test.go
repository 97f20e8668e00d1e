package store

import (
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"

	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// What one place lost of captures that both have, comparing names where verifying does, whichever of the two is asked; and
// copying sends it again under its name, where it is in the place that is copied from.
func TestLackingSlab(t *testing.T) {
	p := newTwoPlaces(t)
	sent, nowhere := 0, 0
	for _, name := range slices.Sorted(maps.Keys(p.there)) {
		if !strings.HasPrefix(name, names.Slabs) {
			continue
		}
		lost := maps.Clone(p.there)
		delete(lost, name)
		a, b := p.a.copyOf(t, p.here), p.b.copyOf(t, lost)
		here, there := a.open(""), b.open("")
		report, err := there.Verify(t.Context(), VerifyOptions{})
		if err != nil {
			t.Fatal(err)
		}
		var want []string
		for _, d := range report.Damage {
			want = append(want, d.Object)
		}
		for _, full := range []bool{false, true} {
			for _, ours := range []bool{true, false} {
				of, to := here, there
				if !ours {
					of, to = there, here
				}
				out, err := of.VerifyAgainst(t.Context(), to.Repository, AgainstOptions{Full: full})
				if err != nil {
					t.Fatal(err)
				}
				var got []string
				for _, u := range out.Unlike {
					got = append(got, u.Object)
					if (u.Here == "") != ours || (u.There == "") == ours {
						t.Errorf("%s, full %t: %+v", name, full, u)
					}
				}
				if !slices.Equal(got, want) || out.Same() != (len(want) == 0) {
					t.Errorf("%s, full %t: compared %v, verified %v", name, full, got, want)
				}
			}
		}
		_, inFirst := p.here[name]
		plan, err := here.Replicate(t.Context(), there.Repository, ReplicateOptions{DryRun: true})
		if err != nil {
			t.Fatal(err)
		}
		out := here.replicate(there)
		switch {
		case len(want) == 0:
			if len(out.PutBack)+len(out.Damage)+out.Slabs > 0 {
				t.Errorf("%s, which nothing needs: %+v", name, out)
			}
		case inFirst:
			sent++
			if !slices.Equal(out.PutBack, want) || !slices.Equal(plan.PutBack, want) || out.Slabs != 1 || plan.Slabs != 1 || !out.Complete() || len(out.Sent) > 0 {
				t.Errorf("%s: %+v, planned %+v", name, out, plan)
			}
			there.wholeInFull()
			if again := here.replicate(there); again.Slabs > 0 {
				t.Errorf("%s is sent again and again: %+v", name, again)
			}
		default:
			nowhere++
			if out.Complete() || len(out.Damage) != 1 || out.Damage[0].Object != name || !out.Damage[0].There || len(out.Damage[0].Captures) == 0 {
				t.Errorf("%s, which is in one place: %+v", name, out)
			}
		}
	}
	if sent < 3 {
		t.Errorf("%d slabs were sent again", sent)
	}
	t.Logf("%d were sent again, %d were in one place", sent, nowhere)
}

// What only a list of runs names is found by it, also where the list is gone with it.
func TestLackingLists(t *testing.T) {
	a := newSite(t)
	b := a.replica()
	here, there := a.open(""), b.open("")
	base := text(2, 2_000_000)
	here.put("base", base)
	named := slices.Collect(maps.Keys(a.allObjects()))
	c := here.put("seedbank", interleaved(base, text(4, 700_000)))
	if recipe := c.captured.Volumes[0].Contents; recipe.Level == 0 {
		t.Fatalf("no list of %d runs", len(recipe.Runs))
	}
	here.replicate(there, c.ID)
	whole := b.allObjects()
	for _, lists := range []bool{false, true} { // those of the second capture, too
		lost := maps.Clone(whole)
		maps.DeleteFunc(lost, func(name string, _ []byte) bool {
			return strings.HasPrefix(name, names.Slabs) && (lists || slices.Contains(named, name))
		})
		there := b.copyOf(t, lost).open("")
		gone := len(whole) - len(lost)
		if out, err := there.VerifyAgainst(t.Context(), here.Repository, AgainstOptions{}); err != nil || len(out.Unlike) != gone {
			t.Errorf("lists %t: %d are gone, %+v, %v", lists, gone, out, err)
		}
		if out := here.replicate(there, c.ID); !out.Complete() || len(out.PutBack) != gone || gone < 1 {
			t.Errorf("lists %t: %d were gone, %+v", lists, gone, out)
		}
		there.wholeInFull()
	}
}

// What is moved there while it is looked at is not taken for gone.
func TestMovedIsNotLacking(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newSite(t)
		b := a.replica()
		here, there := a.open(""), b.open("")
		gone := here.put("seedbank", text(1, 400_000)+text(2, 400_000))
		here.put("seedbank", text(1, 400_000)+"stays")
		here.replicate(there)
		if err := there.Retire(t.Context(), []string{gone.ID}, MarkOptions{}); err != nil {
			t.Fatal(err)
		}
		watched := storagetest.NewFaulty(b.mem)
		to := b.openOver(t, watched)
		var once sync.Once
		listed := false
		watched.Before(func(m storagetest.Method, name string) {
			listed = listed || m == storagetest.List && strings.HasPrefix(name, names.Slabs)
			if listed && m == storagetest.List && name == names.Captures {
				once.Do(func() {
					if out, err := there.Reclaim(t.Context(), ReclaimOptions{Grace: NoGrace}); err != nil || out.Moved == 0 {
						t.Errorf("%+v, %v", out, err)
					}
				})
			}
		})
		out, err := here.Replicate(t.Context(), to, ReplicateOptions{DryRun: true}) // without a lease, so that reclaiming does not wait
		if err != nil || !out.Complete() || out.Slabs > 0 {
			t.Errorf("%+v, %v", out, err)
		}
		for _, r := range []*Repository{here.Repository, there.Repository, to} {
			r.Close()
		}
	})
}
