package storagetest

import (
	"bytes"
	"fmt"
	"sync"
	"testing"

	"github.com/kistarchive/kist/store/storage"
)

func testMark(t *testing.T, s storage.Storage) {
	content := []byte("who: hazel")
	mustMark(t, s, "leases/one", content)
	clear(content) // the storage must have its own copy
	wantObject(t, s, "leases/one", []byte("who: hazel"))
	err := s.Mark(t.Context(), "leases/one", []byte("who: another"))
	wantError(t, err, storage.ErrExists, "leases/one")
	wantObject(t, s, "leases/one", []byte("who: hazel"))
	mustMark(t, s, "leases/empty", nil)
	wantObject(t, s, "leases/empty", nil)
}

func testMarkRace(t *testing.T, s storage.Storage) {
	const rounds, racers = 20, 8
	for round := range rounds {
		RaceMarks(t, s, fmt.Sprintf("leases/round-%d", round), racers)
	}
}

// RaceMarks lets goroutines race for a mark, and tests that exactly one gets it and that
// the mark is that one's.
func RaceMarks(t *testing.T, s storage.Storage, name string, racers int) {
	t.Helper()
	results := make([]error, racers)
	var wait sync.WaitGroup
	gate := make(chan struct{})
	for i := range racers {
		wait.Go(func() {
			<-gate
			results[i] = s.Mark(t.Context(), name, fmt.Appendf(nil, "racer %d", i))
		})
	}
	close(gate)
	wait.Wait()
	winner := -1
	for i, err := range results {
		switch {
		case err != nil:
			wantError(t, err, storage.ErrExists, name)
		case winner >= 0:
			t.Errorf("%s: racers %d and %d both won", name, winner, i)
		default:
			winner = i
		}
	}
	if winner < 0 {
		t.Fatalf("%s: no racer won", name)
	}
	wantObject(t, s, name, fmt.Appendf(nil, "racer %d", winner))
}

func testConcurrent(t *testing.T, s storage.Storage) {
	const workers, each = 8, 12
	var wait sync.WaitGroup
	for w := range workers {
		wait.Go(func() {
			for i := range each {
				name := fmt.Sprintf("slabs/%02x/w%d-%d", i, w, i)
				want := pattern(1000*w + i)
				if err := s.Put(t.Context(), name, bytes.NewReader(want)); err != nil {
					t.Error(err)
					continue
				}
				got := make([]byte, len(want))
				if err := s.ReadAt(t.Context(), name, got, 0); err != nil || !bytes.Equal(got, want) {
					t.Errorf("%s: %v", name, err)
				}
				if _, err := s.List(t.Context(), "slabs"); err != nil {
					t.Error(err)
				}
				if i%2 == 0 {
					if err := s.Remove(t.Context(), name); err != nil {
						t.Error(err)
					}
				}
			}
		})
	}
	wait.Wait()
	if infos, err := s.List(t.Context(), ""); err != nil || len(infos) != workers*each/2 {
		t.Errorf("%d objects remain, %v; want %d", len(infos), err, workers*each/2)
	}
}
