package main

import (
	"bytes"
	"strconv"
	"strings"
	"testing"
)

func TestGrowth(t *testing.T) {
	var out, log bytes.Buffer
	status := run(t.Context(), []string{"growth", "-dir", t.TempDir(), "-size", "1MiB", "-captures", "2,9", "-runs", "1", "-latency", "1us"}, &out, &log)
	if status != 0 {
		t.Fatalf("status %d: %s", status, &log)
	}
	for _, want := range []string{"capture, unchanged folder", "verify, quick", "over the share"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the report lacks %q:\n%s", want, &out)
		}
	}
	for _, captures := range []string{"9,2", "0", "x", ""} {
		if status := run(t.Context(), []string{"growth", "-captures", captures}, &out, &log); status != 2 {
			t.Errorf("-captures %q gives status %d", captures, status)
		}
	}
}

// The model is held against a point that is measured, here a small one.
func TestModel(t *testing.T) {
	chunks := 20_000
	if testing.Short() {
		chunks = 5000
	}
	var out, log bytes.Buffer
	if status := run(t.Context(), []string{"model", "-dir", t.TempDir(), "-chunks", strconv.Itoa(chunks), "-sampled", strconv.Itoa(chunks)}, &out, &log); status != 0 {
		t.Fatalf("status %d: %s", status, &log)
	}
	m := modelMeasured{Files: chunks, Captures: 2}
	s := newSetup("model", &out, &log)
	s.folder = t.TempDir()
	if err := m.measure(t.Context(), s, "point"); err != nil {
		t.Fatal(err)
	}
	if ratio := float64(m.TableBytes) / m.Predicted; ratio < 0.9 || ratio > 1.1 {
		t.Errorf("tables have %d bytes, the model says %.0f", m.TableBytes, m.Predicted)
	}
}
