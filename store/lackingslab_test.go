package store

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/internal/names"
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

// Where a list of runs is gone with what it names, all is sent again at once.
func TestLackingLists(t *testing.T) {
	p := newTwoPlaces(t)
	lost := maps.Clone(p.there)
	for name := range p.here {
		if strings.HasPrefix(name, names.Slabs) {
			delete(lost, name)
		}
	}
	b := p.b.copyOf(t, lost)
	here, there := p.a.copyOf(t, p.here).open(""), b.open("")
	if out := here.replicate(there); !out.Complete() || len(out.PutBack) < 3 {
		t.Errorf("%+v", out)
	}
	there.wholeInFull()
}
