package store_test

import (
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
)

// lose removes the index files of captures, or of all.
func (f *fixture) lose(captures ...*store.Capture) {
	f.t.Helper()
	f.harmed = true
	for name := range under(f.t, f.mem, "captures") {
		lost := len(captures) == 0
		for _, c := range captures {
			lost = lost || strings.HasPrefix(name, "captures/"+c.ID)
		}
		if !lost {
			continue
		}
		if err := f.mem.Remove(f.t.Context(), name); err != nil {
			f.t.Fatal(err)
		}
	}
}

// expectRefusal has a reclaim refuse, also as a dry run, and remove nothing.
func (f *fixture) expectRefusal(o store.ReclaimOptions, want error) {
	f.t.Helper()
	before := len(under(f.t, f.mem, "slabs"))
	for _, o.DryRun = range []bool{true, false} {
		if out, err := f.Reclaim(f.t.Context(), o); !errors.Is(err, want) {
			f.t.Errorf("grace %v, dry run %v: %+v, %v; want %v", o.Grace, o.DryRun, out, err, want)
		}
	}
	if after := len(under(f.t, f.mem, "slabs")); after != before {
		f.t.Errorf("%d slabs of %d are left", after, before)
	}
	if marks := under(f.t, f.mem, "condemned"); len(marks) > 0 {
		f.t.Errorf("%d marks were put", len(marks))
	}
}

// TestHeldCaptureVanished loses the index file of a newest capture, which no other one
// saw, but which is held, was released, was retired, or whose retirement was undone.
func TestHeldCaptureVanished(t *testing.T) {
	for name, mark := range map[string]func(f *fixture, ids []string) error{
		"held":    func(f *fixture, ids []string) error { return f.Hold(t.Context(), ids, store.MarkOptions{}) },
		"retired": func(f *fixture, ids []string) error { return f.Retire(t.Context(), ids, store.MarkOptions{}) },
		"released": func(f *fixture, ids []string) error {
			return errors.Join(f.Hold(t.Context(), ids, store.MarkOptions{}), f.Release(t.Context(), ids))
		},
		"undone": func(f *fixture, ids []string) error {
			return errors.Join(f.Retire(t.Context(), ids, store.MarkOptions{}), f.Reinstate(t.Context(), ids, store.MarkOptions{}))
		},
	} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t)
			f.capture(tarOf(t, file{name: "a", content: random(1, 30_000)}))
			c := f.capture(tarOf(t, file{name: "b", content: random(2, 30_000)}))
			if err := mark(f, []string{c.ID}); err != nil {
				t.Fatal(err)
			}
			f.lose(c)
			report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
			if err != nil || report.OK || len(report.Damage) != 1 || report.Damage[0].Captures[0] != c.ID {
				t.Errorf("%+v, %v", report, err)
			}
			for _, grace := range []time.Duration{0, store.NoGrace} {
				f.expectRefusal(store.ReclaimOptions{Grace: grace, AcceptUnexplained: true}, store.ErrVanished)
			}
			if out, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil || out.Mended() || len(out.Vanished) != 1 {
				t.Errorf("%+v, %v", out, err)
			}
			if out, err := f.Repair(t.Context(), store.RepairOptions{Drop: true}); err != nil || !out.Mended() {
				t.Errorf("%+v, %v", out, err)
			}
			f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
			f.expectNoMarks("retired", "holds", "leases")
			f.verify(t.Context())
		})
	}
}

// TestJunkHoldMissesNobody has a file with a hold's name that no key made: whoever can
// write the share can't make up captures by that.
func TestJunkHoldMissesNobody(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	f.capture(tarOf(t, file{name: "a", content: random(1, 30_000)}))
	putAt(t, f.mem, time.Now(), map[string][]byte{"holds/20260314t0203z-k7f3.01234567": []byte("junk")})
	f.reclaim(store.ReclaimOptions{})
	report, err := f.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || len(report.Damage) != 1 || report.Damage[0].Object != "holds/20260314t0203z-k7f3.01234567" {
		t.Errorf("%+v, %v", report, err)
	}
	if _, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil {
		t.Fatal(err)
	}
	f.expectNoMarks("holds")
	f.verify(t.Context())
}

// TestNothingLeft loses all index files: nothing is missed then, but all slabs are there.
func TestNothingLeft(t *testing.T) {
	f := newFixture(t)
	for i := range byte(3) {
		f.capture(tarOf(t, file{name: "a", content: random(i, 30_000)}))
	}
	slabs := len(under(t, f.mem, "slabs"))
	f.lose()
	f.reopen() // as a machine that knows of none
	report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil || !strings.Contains(strings.Join(report.Notes, "\n"), "slabs that no capture needs") {
		t.Errorf("%+v, %v", report, err)
	}
	for _, grace := range []time.Duration{0, time.Hour, store.NoGrace} {
		f.expectRefusal(store.ReclaimOptions{Grace: grace}, store.ErrUnexplained)
	}
	out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, AcceptUnexplained: true})
	if out.Slabs != slabs {
		t.Errorf("told to, it frees %d slabs of %d", out.Slabs, slabs)
	}
}

// TestMostUnexplained loses the newest capture, which nobody saw and nobody marked: with
// it goes more than half of what is stored, or little.
func TestMostUnexplained(t *testing.T) {
	if testing.Short() {
		t.Skip("takes in some 100 MB")
	}
	for _, test := range []struct {
		name       string
		kept, lost int // bytes
		refused    bool
	}{
		{"more than half, and more than 64 MiB", 20 << 20, 80 << 20, true},
		{"less than half", 90 << 20, 70 << 20, false},
		{"more than half, and little", 1 << 20, 30 << 20, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			f := newFixture(t)
			f.capture(random(1, test.kept))
			c := f.capture(random(2, test.lost))
			f.lose(c)
			f.reopen() // as a machine that does not know it
			if test.refused {
				f.expectRefusal(store.ReclaimOptions{Grace: store.NoGrace}, store.ErrUnexplained)
				f.expectRefusal(store.ReclaimOptions{}, store.ErrUnexplained)
			}
			out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, AcceptUnexplained: test.refused})
			if out.Freed < int64(test.lost) {
				t.Errorf("%d bytes freed", out.Freed)
			}
		})
	}
}

// TestExplained retires nearly all that is stored: that is what retirements are for, with
// a grace time or without, wherever the run before was stopped.
func TestExplained(t *testing.T) {
	if testing.Short() {
		t.Skip("takes in some 100 MB")
	}
	large := random(2, 100<<20)
	for _, all := range []bool{false, true} {
		for _, grace := range []time.Duration{0, store.NoGrace} {
			synctest.Test(t, func(t *testing.T) {
				f := newFixture(t)
				defer f.Close()
				c := f.capture(large)
				small := f.capture(random(1, 1<<20))
				f.retire(c)
				if all {
					f.retire(small)
				}
				time.Sleep(8 * 24 * time.Hour) // it is announced and removed by the same run
				for range 3 {
					plan := f.reclaim(store.ReclaimOptions{Grace: grace, DryRun: true})
					out := f.reclaim(store.ReclaimOptions{Grace: grace})
					if len(plan.Captures) != len(out.Captures) {
						t.Errorf("planned %+v, did %+v", plan, out)
					}
					time.Sleep(8 * 24 * time.Hour)
				}
				if n := f.stored(); n > 2<<20 {
					t.Errorf("%d bytes are left", n)
				}
			})
		}
	}
}
