package objects_test

import (
	"context"
	"errors"
	"net/http"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// meddler does something to requests of a method, or to all for "", once the store has answered them.
type meddler struct {
	http.RoundTripper
	method string
	meddle func(*http.Response)
}

func (m *meddler) RoundTrip(r *http.Request) (*http.Response, error) {
	answer, err := m.RoundTripper.RoundTrip(r)
	if meddle := m.meddle; err == nil && (m.method == "" || r.Method == m.method) && meddle != nil {
		meddle(answer)
		if err := r.Context().Err(); err != nil {
			return nil, err
		}
	}
	return answer, err
}

// meddled gives a storage in a store that is up to date, whose answers may be meddled with, and how often it was told that it lags.
func meddled(t *testing.T, g *objectstest.Gateways, method string) (s *objects.Storage, m *meddler, late *int) {
	t.Helper()
	late, m = new(int), &meddler{RoundTripper: &mixed{to: g, ways: []objectstest.Gateway{{}}, dice: newDice()}, method: method}
	s, err := objects.OpenOver(objects.Options{
		Address:     objects.Address{Bucket: "seeds", Prefix: "hazel/kist", Endpoint: "http://hazel"},
		Credentials: keys,
		Late:        func() { *late++ },
	}, m)
	if err != nil {
		t.Fatal(err)
	}
	return s, m, late
}

// TestRemovedOrNot: of an object whose removal had no answer nobody knows whether it is there, so that not to find it says nothing of the store.
func TestRemovedOrNot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, m, late := meddled(t, objectstest.NewGateways(), http.MethodDelete)
		mark(t, s, "leases/mark")
		ctx, cancel := context.WithCancel(t.Context())
		m.meddle = func(*http.Response) { cancel() }
		if err := s.Drop(ctx, "leases/mark"); !errors.Is(err, context.Canceled) {
			t.Fatalf("remove: %v", err)
		}
		if _, err := s.Stat(t.Context(), "leases/mark"); !errors.Is(err, storage.ErrNotFound) || *late > 0 {
			t.Errorf("%v, told that it lags: %d", err, *late)
		}
	})
}

// TestPutWhileListed: a list need not have what was put once it had begun.
func TestPutWhileListed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, m, late := meddled(t, objectstest.NewGateways(), http.MethodGet)
		mark(t, s, "leases/first")
		m.meddle = func(*http.Response) {
			m.meddle = nil
			time.Sleep(time.Millisecond)
			mark(t, s, "leases/mark")
			if err := s.Drop(t.Context(), "leases/first"); err != nil {
				t.Error(err)
			}
		}
		if infos, err := s.List(t.Context(), "leases"); err != nil || len(infos) != 1 || infos[0].Name != "leases/first" || *late > 0 {
			t.Errorf("%v, %v, told that it lags: %d", infos, err, *late)
		}
	})
}

// TestListsNoAside: what is put to find something out is in no list, and is not missed there.
func TestListsNoAside(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, m, late := meddled(t, objectstest.NewGateways(), http.MethodHead)
		listed := 0
		m.meddle = func(*http.Response) {
			m.meddle = nil // the list may ask for objects, too
			listed++
			time.Sleep(time.Millisecond)
			if infos, err := s.List(t.Context(), ""); err != nil || len(infos) > 0 {
				t.Errorf("%v, %v", infos, err)
			}
		}
		if _, err := s.Now(t.Context()); err != nil || listed != 1 || *late > 0 {
			t.Errorf("%v, listed %d times, told that it lags: %d", err, listed, *late)
		}
	})
}

// TestRemovedAtOnce: what others remove within a minute can't be told from what the store does not show: the error is known to those who
// know no object stores, and is not that of what is absent.
func TestRemovedAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := objectstest.NewGateways()
		s, _, late := meddled(t, g, "")
		mark(t, s, "leases/mark")
		clear(g.Fake.Objects)
		_, err := s.Stat(t.Context(), "leases/mark")
		if !errors.Is(err, storage.ErrLate) || !errors.Is(err, objects.ErrLate) || errors.Is(err, storage.ErrNotFound) || *late != 1 {
			t.Errorf("%v, told that it lags: %d", err, *late)
		}
		time.Sleep(time.Minute)
		if _, err := s.Stat(t.Context(), "leases/mark"); !errors.Is(err, storage.ErrNotFound) {
			t.Errorf("after a minute: %v", err)
		}
	})
}

// TestLateIsToldOnce: however often it shows.
func TestLateIsToldOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := objectstest.NewGateways()
		s, _, late := meddled(t, g, "")
		g.Read = time.Hour
		for _, name := range []string{"slabs/first", "slabs/second"} {
			mark(t, s, name)
			if _, err := s.Stat(t.Context(), name); !errors.Is(err, objects.ErrLate) {
				t.Errorf("%s: %v, want ErrLate", name, err)
			}
		}
		if *late != 1 {
			t.Errorf("told %d times", *late)
		}
	})
}

// TestAgreesAtNoCost: as long as the store shows what this storage did, no more is asked than without; and what others removed is looked for
// once.
func TestAgreesAtNoCost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := objectstest.NewGateways()
		s, _, late := meddled(t, g, "")
		for _, name := range []string{"leases/stays", "leases/ours", "leases/theirs"} {
			mark(t, s, name)
		}
		if err := s.Drop(t.Context(), "leases/ours"); err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		if _, err := s.Stat(t.Context(), "leases/ours"); !errors.Is(err, storage.ErrNotFound) {
			t.Errorf("what was removed: %v", err)
		}
		lists := func(what string, requests int) {
			g.Fake.Count("")
			infos, err := s.List(t.Context(), "leases")
			if n := g.Fake.Count(""); err != nil || n != requests || *late > 0 {
				t.Errorf("%s: %v, %v, %d requests, want %d; told that it lags: %d", what, infos, err, n, requests, *late)
			}
		}
		lists("all as it was left", 1)
		if took := time.Since(began); took > 0 {
			t.Errorf("it was waited for %v", took)
		}
		time.Sleep(2 * time.Minute)
		delete(g.Fake.Objects, "hazel/kist/leases/theirs")
		lists("one that others removed", 3) // one more tells what is absent from a bucket that is
		lists("the same", 1)
	})
}

// TestLookingIsDenied: where a look for what a list lacks fails, so does the list.
func TestLookingIsDenied(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := objectstest.NewGateways()
		s, m, _ := meddled(t, g, http.MethodHead)
		mark(t, s, "leases/mark")
		g.List = time.Hour
		m.meddle = func(answer *http.Response) { answer.StatusCode = http.StatusForbidden }
		if infos, err := s.List(t.Context(), "leases"); err == nil || errors.Is(err, objects.ErrLate) {
			t.Errorf("%v, %v", infos, err)
		}
	})
}

// TestProbeOfRemovals: setting up finds a store that goes on to show what was removed, be it in lists alone.
func TestProbeOfRemovals(t *testing.T) {
	for name, lag := range map[string]func(*objectstest.Gateways) *time.Duration{
		"lists":        func(g *objectstest.Gateways) *time.Duration { return &g.List },
		"what is read": func(g *objectstest.Gateways) *time.Duration { return &g.Read },
	} {
		synctest.Test(t, func(t *testing.T) {
			g := objectstest.NewGateways()
			s, m, _ := meddled(t, g, "")
			m.meddle = func(answer *http.Response) {
				switch answer.Request.Method {
				case http.MethodPut:
					*lag(g) = 0
					time.Sleep(2 * time.Second)
				case http.MethodDelete:
					*lag(g) = time.Second // then all but the removal was done
				}
			}
			if got, err := s.Probe(t.Context()); err != nil || got.Late != objects.Yes {
				t.Errorf("%s: %+v, %v", name, got, err)
			}
		})
	}
}
