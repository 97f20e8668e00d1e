package main

import (
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/limit"
)

// TestLimitRate: a rate is bytes a second, within bounds, and is heeded by each folder by itself; without one nothing is in between.
func TestLimitRate(t *testing.T) {
	for text, want := range map[string]int64{"": 0, "1KiB": 1 << 10, "20MiB": 20 << 20, "20MB": 20e6, "2048": 2048} {
		if got, err := parseRate(text); got != want || err != nil {
			t.Errorf("%q: %d, %v", text, got, err)
		}
	}
	for _, text := range []string{"0", "1", "1023", "fast", "-1MiB", "2PiB"} {
		if got, err := parseRate(text); err == nil || !strings.Contains(err.Error(), "--limit-rate") {
			t.Errorf("%q: %d, %v", text, got, err)
		}
	}
	folder, err := storage.CreateFolder(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	a := &app{}
	if st, err := a.limited(folder); st != storage.Storage(folder) || err != nil {
		t.Errorf("%T, %v", st, err)
	}
	a.rate = limit.MinRate
	one, failed := a.limited(folder)
	two, err := a.limited(folder)
	if _, ok := one.(*limit.Storage); !ok || one == two || failed != nil || err != nil {
		t.Errorf("%T, %T, %v, %v", one, two, failed, err)
	}
}
