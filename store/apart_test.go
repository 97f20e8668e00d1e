package store_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"maps"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/kistarchive/kist/store"
)

// dropTables removes all tables.
func (f *fixture) dropTables() {
	f.t.Helper()
	for name := range objects(f.t, f.mem) {
		if strings.HasPrefix(name, "tables/") {
			if err := f.mem.Remove(f.t.Context(), name); err != nil {
				f.t.Fatal(err)
			}
		}
	}
}

// captureAs captures a stream under a name.
func (f *fixture) captureAs(name string, b []byte) *store.Capture {
	f.t.Helper()
	c, err := f.Capture(f.t.Context(), store.CaptureOptions{Name: name, Volumes: []store.VolumeInput{stream(b)}})
	if err != nil {
		f.t.Fatal(err)
	}
	return c
}

var ways = []store.Apart{store.Together, store.ApartCompressed, store.ApartStored}

// TestApartAdds: what another name has stored adds its full size where captures are apart,
// and next to nothing where they are not. Under its own name it adds next to nothing anyway.
func TestApartAdds(t *testing.T) {
	for _, apart := range ways {
		f := newFixtureOf(t, store.CreateOptions{Apart: apart})
		if f.Apart() != apart {
			t.Errorf("%q: the repository says %q", apart, f.Apart())
		}
		known := tarOf(t, file{name: "known", content: random(1, 302_000)})
		f.captureAs("seedbank", known)
		if own := f.captureAs("seedbank", known); own.Added > 6000 {
			t.Errorf("%q: the same under its name adds %d bytes", apart, own.Added)
		}
		other := f.captureAs("orchard", known)
		if got, full := other.Added, other.Added > 302_000; full != (apart != store.Together) || !full && got > 6000 {
			t.Errorf("%q: the same under another name adds %d bytes", apart, got)
		}
		if got := f.restore(other); !bytes.Equal(got, known) {
			t.Errorf("%q: restored %d bytes", apart, len(got))
		}
		// The same after a machine was killed, so that slabs are read again.
		f.dropTables()
		if other := f.captureAs("vineyard", known); (other.Added > 302_000) != (apart != store.Together) {
			t.Errorf("%q: without tables the same under another name adds %d bytes", apart, other.Added)
		}
	}
}

// TestApartCompresses: contents of two members are not compressed together, nor is
// anything where all is stored as it is.
func TestApartCompresses(t *testing.T) {
	secret := random(5, 20_000)
	guess := bytes.Clone(secret)
	guess[0]++ // so that it is another chunk
	added := map[store.Apart]uint64{}
	for _, apart := range ways {
		f := newFixtureOf(t, store.CreateOptions{Apart: apart, ChunkAverage: 1 << 20})
		added[apart] = f.capture(tarOf(t, file{name: "a", content: secret}, file{name: "b", content: guess})).Added
		zeros := f.capture(tarOf(t, file{name: "zeros", content: make([]byte, 100_000)})).Added
		if (zeros > 100_000) != (apart == store.ApartStored) {
			t.Errorf("%q: zeros add %d bytes", apart, zeros)
		}
	}
	if added[store.Together] > 35_000 || added[store.ApartCompressed] < 40_000 || added[store.ApartStored] < 40_000 {
		t.Errorf("a secret and a guess of it add %v", added)
	}
}

// TestApartHeals: a harmed chunk is taken from captures of the same name only. Else who can
// harm a slab learns whether another name has the same.
func TestApartHeals(t *testing.T) {
	for _, apart := range ways {
		t.Run("apart "+string(apart), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFixtureOf(t, store.CreateOptions{Apart: apart})
				in := tarOf(t, file{name: "known", content: random(1, 100_000)})
				before := objects(t, f.mem)
				f.captureAs("seedbank", in)
				for name, b := range objects(t, f.mem) {
					if before[name] == nil && strings.HasPrefix(name, "slabs/") {
						f.exchange(name, b, 5000) // among the contents
					}
				}
				f.harmed = true
				if out := f.repair(); len(out.Lost) == 0 {
					t.Fatalf("nothing is lost: %+v", out)
				}
				f.captureAs("orchard", in)
				healed := len(f.repair().Healed) > 0
				if healed != (apart == store.Together) {
					t.Errorf("another name has the same: healed is %v", healed)
				}
				f.captureAs("seedbank", in)
				if out := f.repair(); len(out.Lost) != 0 {
					t.Errorf("still lost: %+v", out.Lost)
				}
				// Verified in full, but for the slab that nobody needs.
				f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.001})
				f.verify(t.Context())
			})
		})
	}
}

// exchange puts an object anew, with another byte.
func (f *fixture) exchange(name string, b []byte, at int) {
	f.t.Helper()
	b = bytes.Clone(b)
	b[at] ^= 1
	if err := f.mem.Remove(f.t.Context(), name); err != nil {
		f.t.Fatal(err)
	}
	if err := f.mem.Put(f.t.Context(), name, bytes.NewReader(b)); err != nil {
		f.t.Fatal(err)
	}
}

func (f *fixture) repair() *store.Repaired {
	f.t.Helper()
	out, err := f.Repair(f.t.Context(), store.RepairOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	return out
}

// TestApartIsSealed: nobody without a key takes the setting away or gives it.
func TestApartIsSealed(t *testing.T) {
	for _, apart := range ways {
		f := newFixtureOf(t, store.CreateOptions{Apart: apart})
		all := objects(t, f.mem)
		for _, other := range []any{nil, "compressed", "stored", "", true, "otherwise"} {
			if other == string(apart) || other == nil && apart == store.Together {
				continue
			}
			var fields map[string]any
			if err := json.Unmarshal(all["kist.json"], &fields); err != nil {
				t.Fatal(err)
			}
			if fields["apart"] = other; other == nil {
				delete(fields, "apart")
			}
			b, err := json.Marshal(fields)
			if err != nil {
				t.Fatal(err)
			}
			changed := maps.Clone(all)
			changed["kist.json"] = b
			want := store.ErrDamaged
			if other == "otherwise" {
				want = store.ErrUnknownFormat
			}
			r, err := store.Open(t.Context(), memoryOf(t, changed), f.key, store.OpenOptions{})
			if apart == store.Together && other == "" {
				r.Close() // says the same, and verifying finds that it is not as written
				continue
			}
			if !errors.Is(err, want) {
				t.Errorf("%q, changed to %v: %v", apart, other, err)
			}
		}
	}
	f := newFixture(t)
	if _, err := store.Create(t.Context(), memoryOf(t, nil), f.key, store.CreateOptions{Apart: "otherwise"}); !errors.Is(err, store.ErrBadOptions) {
		t.Errorf("made in a way that is not known: %v", err)
	}
}

// TestPaddingIsNobodys: padding is neither dead nor to be moved, and keeps no slab.
func TestPaddingIsNobodys(t *testing.T) {
	for _, apart := range ways {
		synctest.Test(t, func(t *testing.T) {
			f := newFixtureOf(t, store.CreateOptions{Apart: apart})
			defer f.Close()
			first := f.capture(random(1, 700))
			second := f.captureAs("orchard", random(2, 300_000))
			if n := f.usage().Reclaimable; n != 0 {
				t.Errorf("%q: %d bytes are nobody's", apart, n)
			}
			if out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.0001}); out.Moved != 0 || out.Slabs != 0 {
				t.Errorf("%q: %+v", apart, out)
			}
			f.retire(first)
			if out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.0001}); out.Slabs != 1 {
				t.Errorf("%q: a slab of which nothing is needed but padding stays: %+v", apart, out)
			}
			if got := f.restore(second); !bytes.Equal(got, random(2, 300_000)) {
				t.Errorf("%q: restored %d bytes", apart, len(got))
			}
		})
	}
}
