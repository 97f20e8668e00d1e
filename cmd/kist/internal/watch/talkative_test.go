package watch

import (
	"runtime"
	"testing"
)

// TestTalkative: a command that prints without end takes no memory without end.
func TestTalkative(t *testing.T) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err := Command(t.Context(), Options{Healthy: "head -c 300000000 /dev/zero; exit 1"})
	if err != nil {
		t.Fatal(err)
	}
	runtime.ReadMemStats(&after)
	if got := after.TotalAlloc - before.TotalAlloc; got > 16<<20 {
		t.Errorf("%d MiB were taken", got>>20)
	}
}
