package storage_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

func TestRequests(t *testing.T) {
	storagetest.Run(t, func(t *testing.T) storage.Storage { return storagetest.NewRequests(storage.NewMemory()) })
}

func TestRequestsOfListings(t *testing.T) {
	s := storagetest.NewRequests(storage.NewMemory())
	for i := range 2001 {
		put(t, s, fmt.Sprintf("captures/%04d", i), strings.NewReader("x"))
	}
	if puts := s.Take(); len(puts) != 2001 {
		t.Errorf("%d requests for 2001 objects", len(puts))
	}
	for after, want := range map[string]int{"": 3, "captures/0000": 2, "captures/1000": 1, "captures/9999": 1} {
		if _, err := s.ListAfter(t.Context(), "captures", after); err != nil {
			t.Fatal(err)
		}
		if got := s.Take(); len(got) != want {
			t.Errorf("behind %q: %q, want %d requests", after, got, want)
		}
	}
}
