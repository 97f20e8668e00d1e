package main

import (
	"os"
	"path/filepath"
	"testing"
)

// TestTemporaryBuilds: what `go run` and `go test` build, and what lies where temporary files do, is no program for a
// timer (go help cache and go help run, from memory: go-build folders in the temporary folder, and the cache).
func TestTemporaryBuilds(t *testing.T) {
	own, err := os.Executable() // of a test
	if err != nil {
		t.Fatal(err)
	}
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Skip(err)
	}
	for path, temporary := range map[string]bool{
		own: true, filepath.Join(os.TempDir(), "kist"): true, filepath.Join(t.TempDir(), "kist"): true, "/tmp/go-build123/b001/exe/kist": true,
		filepath.Join(cache, "go-build", "ab", "abcd-d", "kist"): true, "/srv/go-build7/kist": true, "/var/tmp/kist": true,
		"/usr/local/bin/kist": false, "/root/go/bin/kist": false, "/opt/kist": false, "/home/tmp/kist": false, "/opt/gobuild/kist": false,
	} {
		if got := isTemporary(path); got != temporary {
			t.Errorf("%s: %t", path, got)
		}
	}
}
