package main

import (
	"math/rand/v2"
	"os"
	"strings"
	"testing"
)

// TestFindHarmedContent: a member whose list is whole is found, and where its content is not there, the status is that of
// damage.
func TestFindHarmedContent(t *testing.T) {
	b := newBench(t)
	lot := make([]byte, 100_000)
	rand.NewChaCha8([32]byte{1}).Read(lot)
	if err := os.WriteFile(b.path("seedbank", "lot"), lot, 0o600); err != nil {
		t.Fatal(err)
	}
	b.must("capture", "--name", "orchard", b.path("seedbank", "lot")) // its slab has the content
	slabs := b.slabs()
	b.must("capture", "--name", "seedbank", b.path("seedbank"))
	b.must("find", "lot", "--name", "seedbank")
	for _, slab := range slabs {
		if err := os.Remove(slab); err != nil {
			t.Fatal(err)
		}
	}
	status := b.run(t.Context(), "find", "lot", "--name", "seedbank")
	if status != statusDamage || !strings.Contains(b.stdout.String(), ", harmed: ") || strings.Contains(b.stderr.String(), "Warning") {
		t.Errorf("status %d: %s%s", status, &b.stdout, &b.stderr)
	}
}
