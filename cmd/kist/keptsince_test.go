package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestKeptSince: only what a restore kept since then says that a folder was exchanged, and nothing that merely looks alike.
func TestKeptSince(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "srv")
	began := time.Now().UTC().Truncate(time.Second).Add(-time.Minute)
	for _, path := range []string{"/.before-migration", "/.before-99999999t000000z", "/.before-29990101t000000z", ".before-upgrade", ".before-29990101t000000z", ".before-20200101t000000z"} {
		if err := os.MkdirAll(dir+path, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	if got := keptSince(dir, began); got != "" {
		t.Errorf("got %s", got)
	}
	want := dir + ".before-" + began.Add(time.Second).Format("20060102t150405z")
	if err := os.Mkdir(want, 0o700); err != nil {
		t.Fatal(err)
	}
	if got := keptSince(dir, began); got != want {
		t.Errorf("got %q, want %s", got, want)
	}
}
