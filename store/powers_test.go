package store_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// powerless is a storage with the methods of storage.Storage alone.
type powerless struct{ storage.Storage }

// TestWithoutPowers: a repository does without each of a storage's optional powers,
// whether the methods are missing or say that they are not supported.
func TestWithoutPowers(t *testing.T) {
	f := newFixture(t)
	storages := map[string]storage.Storage{
		"missing":       powerless{f.mem},
		"not supported": storagetest.NewFaulty(powerless{f.mem}),
	}
	for name, s := range storages {
		t.Run(name, func(t *testing.T) {
			r, err := store.Open(t.Context(), s, f.key, store.OpenOptions{})
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			if _, err := r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(random(1, 1000))}}); err != nil {
				t.Error(err)
			}
			if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{}); err != nil {
				t.Error(err)
			}
			// Somebody to be listed, of whom no more can be read.
			lease := "leases/" + strings.Repeat("ab", 8) + ".0"
			if err := s.Mark(t.Context(), lease, nil); err != nil {
				t.Fatal(err)
			}
			defer s.Remove(t.Context(), lease)
			writers, err := r.Writers(t.Context())
			if err != nil || len(writers) == 0 {
				t.Errorf("writers: %v, %v", writers, err)
			}
			for _, w := range writers {
				if w.Guessed {
					t.Error("the time is called guessed: without a Clock it is this machine's")
				}
			}
		})
	}
}

// unanchored can't take its anchor.
type unanchored struct{ storage.Storage }

var errUnanchored = errors.New("no anchor today")

func (unanchored) SetAnchor(string) error { return errUnanchored }

func TestAnchorThatFails(t *testing.T) {
	f := newFixture(t)
	if _, err := store.Open(t.Context(), unanchored{f.mem}, f.key, store.OpenOptions{}); !errors.Is(err, errUnanchored) {
		t.Errorf("got %v, want what SetAnchor said", err)
	}
}
