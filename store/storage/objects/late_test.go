package objects_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// mixed sends each request by one of some gateways.
type mixed struct {
	to   *objectstest.Gateways
	ways []objectstest.Gateway

	mu   sync.Mutex
	dice *rand.Rand
}

// RoundTrip implements [http.RoundTripper].
func (m *mixed) RoundTrip(r *http.Request) (*http.Response, error) {
	m.mu.Lock()
	way := m.ways[m.dice.IntN(len(m.ways))]
	m.mu.Unlock()
	if r.Body == nil {
		r.Body = http.NoBody
	}
	defer r.Body.Close()
	if err := r.Context().Err(); err != nil {
		return nil, err
	}
	w := httptest.NewRecorder()
	m.to.Answer(way, w, r)
	answer := w.Result()
	answer.Request = r
	return answer, nil
}

func newDice() *rand.Rand { return rand.New(rand.NewPCG(1, 1)) }

// through gives a storage by some of the gateways to a store, and what tells whether it was found to lag.
func through(t *testing.T, g *objectstest.Gateways, ways ...objectstest.Gateway) (*objects.Storage, *bool) {
	t.Helper()
	late := new(bool)
	s, err := objects.OpenOver(objects.Options{
		Address:     objects.Address{Bucket: "seeds", Prefix: "hazel/kist", Endpoint: "http://hazel"},
		Credentials: keys,
		Late:        func() { *late = true },
	}, &mixed{to: g, ways: ways, dice: newDice()})
	if err != nil {
		t.Fatal(err)
	}
	return s, late
}

// TestLate: what a store shows is held against what was put and removed. What comes within some seconds is waited for; what does not, is
// an error; and either is told.
func TestLate(t *testing.T) {
	current := objectstest.Gateway{}
	for _, test := range []struct {
		name string
		ways []objectstest.Gateway
		late bool
		err  error // of asking for what was put
	}{
		{"up to date", []objectstest.Gateway{current}, false, nil},
		{"2 s", []objectstest.Gateway{{Lag: 2 * time.Second}}, true, nil},
		{"an hour", []objectstest.Gateway{{Lag: time.Hour}}, true, objects.ErrLate}, // its lists agree with what it finds
		{"an hour, or not at all", []objectstest.Gateway{current, {Lag: time.Hour}}, true, nil},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s, late := through(t, objectstest.NewGateways(), test.ways...)
				put(t, s, "slabs/put", "seeds")
				if _, err := s.Stat(t.Context(), "slabs/put"); !errors.Is(err, test.err) {
					t.Errorf("stat: %v, want %v", err, test.err)
				}
				mark(t, s, "leases/mark")
				if err := s.ReadAt(t.Context(), "leases/mark", make([]byte, 5), 0); !errors.Is(err, test.err) {
					t.Errorf("read: %v, want %v", err, test.err)
				}
				mark(t, s, "leases/again")
				if _, err := s.ReadFront(t.Context(), "leases/again", make([]byte, 5)); !errors.Is(err, test.err) {
					t.Errorf("read the front: %v, want %v", err, test.err)
				}
				for i := range 8 {
					name := fmt.Sprint("leases/more", i)
					mark(t, s, name)
					infos, err := s.ListAfter(t.Context(), "leases", "leases/mark")
					if err != nil || test.err == nil && len(infos) != 1 {
						t.Errorf("list: %v, %v", infos, err)
					}
					if err := s.Drop(t.Context(), name); err != nil {
						t.Error(err)
					}
					time.Sleep(3 * time.Second)
				}
				if *late != test.late {
					t.Errorf("told that it lags: %v", *late)
				}
			})
		})
	}
}

// TestLateList: a list that goes on to lack what is found by its name is an error, and so is one that goes on to have what is not.
func TestLateList(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := objectstest.NewGateways()
		list := &g.List
		for _, put := range []bool{true, false} {
			s, late := through(t, g, objectstest.Gateway{})
			mark(t, s, "leases/mark")
			*list = time.Hour
			if !put {
				*list = 0
				time.Sleep(time.Hour)
				if err := s.Remove(t.Context(), "leases/mark"); err != nil {
					t.Fatal(err)
				}
				*list = time.Minute
			}
			began := time.Now()
			infos, err := s.List(t.Context(), "leases")
			if took := time.Since(began); !errors.Is(err, objects.ErrLate) || !*late || took > time.Minute/2 {
				t.Errorf("put: %v: %v, %v after %v, want ErrLate", put, infos, err, took)
			}
			*list = 0
			s.Drop(t.Context(), "leases/mark")
			time.Sleep(2 * time.Hour)
		}
	})
}

// TestLateForAMoment: what comes after a moment, by a list or by its name, is told as well.
func TestLateForAMoment(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, late := through(t, objectstest.NewGateways(), objectstest.Gateway{Lag: 2 * time.Second})
		mark(t, s, "leases/mark")
		if infos, err := s.List(t.Context(), "leases"); err != nil || len(infos) != 1 || !*late {
			t.Errorf("%v, %v, told that it lags: %v", infos, err, *late)
		}
		s, late = through(t, objectstest.NewGateways(), objectstest.Gateway{Lag: 2 * time.Second})
		mark(t, s, "leases/mark")
		if _, err := s.Stat(t.Context(), "leases/mark"); err != nil || !*late {
			t.Errorf("%v, told that it lags: %v", err, *late)
		}
	})
}

// TestManyRemovedByOthers: a list after which much is missing that others removed takes few requests.
func TestManyRemovedByOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := objectstest.NewGateways()
		s, late := through(t, g, objectstest.Gateway{})
		for i := range 100 {
			mark(t, s, fmt.Sprint("leases/mark", i))
		}
		time.Sleep(time.Hour)
		clear(g.Fake.Objects)
		g.Fake.Count("")
		infos, err := s.List(t.Context(), "leases")
		if n := g.Fake.Count(""); err != nil || len(infos) > 0 || *late || n > 40 {
			t.Errorf("%d requests: %v, %v, told that it lags: %v", n, infos, err, *late)
		}
	})
}

// TestOthersWrite: what others removed, or put again, is no sign that a store lags.
func TestOthersWrite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := objectstest.NewGateways()
		s, late := through(t, g, objectstest.Gateway{})
		other, _ := through(t, g, objectstest.Gateway{})
		drop := func(s *objects.Storage, name string) {
			if err := s.Drop(t.Context(), name); err != nil {
				t.Fatal(err)
			}
		}
		put(t, s, "slabs/old", "seeds")
		put(t, s, "slabs/ours", "seeds")
		drop(s, "slabs/ours")
		time.Sleep(2 * time.Minute)
		drop(other, "slabs/old")
		if _, err := s.Stat(t.Context(), "slabs/old"); !errors.Is(err, storage.ErrNotFound) || *late {
			t.Errorf("what was put long ago: %v, told that it lags: %v", err, *late)
		}
		put(t, other, "slabs/ours", "seeds")
		put(t, s, "slabs/young", "seeds")
		drop(other, "slabs/young")
		infos, err := s.List(t.Context(), "slabs")
		if err != nil || len(infos) != 1 || infos[0].Name != "slabs/ours" || *late {
			t.Errorf("list: %v, %v, told that it lags: %v", infos, err, *late)
		}
		if _, err := s.Stat(t.Context(), "slabs/young"); !errors.Is(err, storage.ErrNotFound) || *late {
			t.Errorf("what was not listed: %v, told that it lags: %v", err, *late)
		}
		put(t, s, "slabs/aging", "seeds")
		time.Sleep(57 * time.Second) // it grows old while it is asked for again
		drop(other, "slabs/aging")
		if infos, err := s.List(t.Context(), "slabs"); err != nil || len(infos) != 1 || *late {
			t.Errorf("list: %v, %v, told that it lags: %v", infos, err, *late)
		}
	})
}

// TestProbeOfGateways: setting up finds a gateway that lags, be it one of two.
func TestProbeOfGateways(t *testing.T) {
	for name, test := range map[string]struct {
		ways       []objectstest.Gateway
		list, read time.Duration
		want       objects.Finding
	}{
		"one":                 {[]objectstest.Gateway{{}}, 0, 0, objects.No},
		"one that lags":       {[]objectstest.Gateway{{Lag: time.Second}}, 0, 0, objects.Yes},
		"one of two lags":     {[]objectstest.Gateway{{}, {Lag: time.Minute}}, 0, 0, objects.Yes},
		"its lists lag":       {[]objectstest.Gateway{{}}, time.Second, 0, objects.Yes},
		"what is read lags":   {[]objectstest.Gateway{{}}, 0, time.Second, objects.Yes},
		"its clock is behind": {[]objectstest.Gateway{{}, {Skew: -time.Hour}}, 0, 0, objects.No},
	} {
		synctest.Test(t, func(t *testing.T) {
			g := objectstest.NewGateways()
			g.List, g.Read = test.list, test.read
			s, _ := through(t, g, test.ways...)
			got, err := s.Probe(t.Context())
			if err != nil || got.Late != test.want || len(g.Fake.Objects) > 0 {
				t.Errorf("%s: %v, %v, left: %v", name, got, err, g.Fake.Objects)
			}
		})
	}
}
