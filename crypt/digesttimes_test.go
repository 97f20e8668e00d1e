package crypt

import "testing"

// TestDigestTimes holds AddTimes against as many calls of Add.
func TestDigestTimes(t *testing.T) {
	a, b := NewDigestHasher(), NewDigestHasher()
	for i, times := range []uint64{0, 1, 2, repeats - 1, repeats, repeats + 1, 3*repeats + 7, 100_000} {
		id := Identity{byte(i)}
		for range times {
			a.Add(id, 4096+i)
		}
		b.AddTimes(id, 4096+i, times)
		if a.Sum() != b.Sum() {
			t.Fatalf("%d times: another digest", times)
		}
	}
}
