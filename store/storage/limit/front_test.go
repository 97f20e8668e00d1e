package limit_test

import (
	"bytes"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/limit"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestReadFront: what is read counts, not what there would have been room for.
func TestReadFront(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const rate = limit.MinRate
		inner := storagetest.NewRequests(storage.NewMemory())
		s, err := limit.New(inner, rate)
		if err != nil {
			t.Fatal(err)
		}
		for name, size := range map[string]int{"captures/a": 100, "captures/b": 20 * rate} {
			if err := inner.Put(t.Context(), name, bytes.NewReader(make([]byte, size))); err != nil {
				t.Fatal(err)
			}
		}
		for _, test := range []struct {
			name        string
			least, most time.Duration
		}{{"captures/a", 0, time.Second}, {"captures/b", 9 * time.Second, 10 * time.Second}} {
			began := time.Now()
			if _, err := s.ReadFront(t.Context(), test.name, make([]byte, 10*rate)); err != nil {
				t.Fatal(err)
			}
			if took := time.Since(began); took < test.least || took > test.most {
				t.Errorf("%s took %v, want %v to %v", test.name, took, test.least, test.most)
			}
		}
	})
}
