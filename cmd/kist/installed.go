package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// installed gives where this program lies, for timers, and fails where it will not be for long.
func installed() (string, error) {
	path, err := os.Executable()
	if err == nil && isTemporary(path) {
		err = fmt.Errorf("this kist is a temporary build, %s, which is gone when a timer runs it: install it (CGO_ENABLED=0 go install ./cmd/kist), and let the installed one print the schedule", screen.Line(path))
	}
	return path, err
}

// isTemporary tells whether a program lies where the go command keeps what it built for a run (go help cache, go
// help run), or where temporary files do.
func isTemporary(path string) bool {
	path = paths.Resolve(path)
	built := func(part string) bool { return strings.HasPrefix(part, "go-build") }
	if slices.ContainsFunc(strings.Split(filepath.ToSlash(path), "/"), built) {
		return true
	}
	folders := []string{os.TempDir(), os.Getenv("GOCACHE"), os.Getenv("GOTMPDIR"), "/tmp", "/var/tmp", "/dev/shm"}
	if dir, err := os.UserCacheDir(); err == nil {
		folders = append(folders, dir)
	}
	return slices.ContainsFunc(folders, func(dir string) bool {
		return filepath.IsAbs(dir) && paths.Within(paths.Resolve(dir), path)
	})
}

// isThere fails for a file that is not.
func isThere(path string) error {
	info, err := os.Stat(path)
	if err == nil && info.IsDir() {
		err = fmt.Errorf("%s is a folder", screen.Line(path))
	}
	if err != nil {
		return missing(fmt.Errorf("what opens the repository: every run would fail: %w", err))
	}
	return nil
}
