package main

import (
	"archive/tar"
	"bytes"
	"encoding/json"
	"math"
	"os"
	"testing"
	"time"
)

// TestFarTimes prints members whose times RFC 3339 can't write.
func TestFarTimes(t *testing.T) {
	b := newBench(t)
	times := []struct {
		modified time.Time
		want     string
	}{
		{time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC), "9999-12-31T23:59:59Z"},
		{time.Unix(math.MaxInt64, 0), "9999-12-31T23:59:59Z"}, // its year overflows
		{time.Date(-1, 12, 31, 23, 59, 59, 0, time.UTC), "0000-01-01T00:00:00Z"},
		{time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC), "2026-03-14T02:03:00Z"},
	}
	for _, f := range times {
		var stream bytes.Buffer
		w := tar.NewWriter(&stream)
		// Such a time makes it write a pax header with a record mtime.
		if err := w.WriteHeader(&tar.Header{Name: "ledger", Mode: 0o600, ModTime: f.modified, Format: tar.FormatPAX}); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(b.path("far.tar"), stream.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		b.must("capture", "--name", "far", b.path("far.tar"))
		b.must("contents", "--json", "far@latest")
		var members []struct{ Modified string }
		if err := json.Unmarshal(b.stdout.Bytes(), &members); err != nil || len(members) != 1 || !sameInstant(members[0].Modified, f.want) {
			t.Errorf("%s: %v, %s", f.modified, err, &b.stdout)
		}
		b.must("contents", "far@latest")
		b.must("capture", "--name", "near", b.path("seedbank"))
		b.must("compare", "--json", "near@latest", "far@latest")
		var compared struct {
			Differences []struct{ Was, Is *struct{ Modified string } }
		}
		if err := json.Unmarshal(b.stdout.Bytes(), &compared); err != nil || len(compared.Differences) == 0 ||
			!sameInstant(compared.Differences[0].Is.Modified, f.want) {
			t.Errorf("%s: %v, %s", f.modified, err, &b.stdout)
		}
		b.must("compare", "--json", "far@latest", "near@latest")
	}
}

// sameInstant compares times, one of which may be local.
func sameInstant(a, b string) bool {
	at, err1 := time.Parse(time.RFC3339, a)
	bt, err2 := time.Parse(time.RFC3339, b)
	return err1 == nil && err2 == nil && at.Equal(bt)
}
