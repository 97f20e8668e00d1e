package main

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// TestRequestsOfAnUnchangedCapture: how many requests the program makes of an object store for a capture of what did not change, on a
// machine that captured it before. That it does not grow with what others wrote is held by the test of that name in package store.
func TestRequestsOfAnUnchangedCapture(t *testing.T) {
	for _, test := range []struct {
		name   string
		files  int // of a folder; 0: a stream
		deltas string
		most   int
	}{
		{"stream", 0, "on", 17},
		{"folder", 300, "on", 17},
		{"large folder", 6000, "on", 17},
		{"large folder without deltas", 6000, "off", 20}, // its lists are read back
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			f := objectstest.NewFake(t)
			run := inBucketOf(t, f, filepath.Join(t.TempDir(), "cache"))
			kist := func(stdin string, args ...string) {
				t.Helper()
				if status, said := run(stdin, args...); status != statusDone {
					t.Fatalf("%v: status %d, %s", args, status, said)
				}
			}
			args, stream := []string{"capture", "--name", "seedbank", "-"}, strings.Repeat("rye and barley", 10_000)
			if test.files > 0 {
				args[3], stream = catalogue(t, test.files), ""
			}
			kist("", "setup", "--deltas", test.deltas)
			for range 2 {
				kist(stream, args...)
			}
			for i := range 3 {
				f.Count("")
				kist(stream, args...)
				f.Set(func() {
					if n := len(f.Requests); n > test.most {
						t.Errorf("unchanged capture %d takes %d requests, want at most %d:\n%s", i, n, test.most, strings.Join(f.Requests, "\n"))
					}
				})
			}
		})
	}
}

// catalogue makes a folder of so many files, a thousand to a folder, whose names and contents nothing can shorten: of 6,000 the lists
// lie in a slab that is too long for a copy.
func catalogue(t *testing.T, files int) string {
	t.Helper()
	top := t.TempDir()
	for i := range files {
		dir := filepath.Join(top, fmt.Sprint(i/1000))
		content := make([]byte, 3500)
		rand.NewChaCha8([32]byte{byte(i), byte(i >> 8)}).Read(content)
		err := os.MkdirAll(dir, 0o755)
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, fmt.Sprintf("%x", content[:16])), content, 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return top
}
