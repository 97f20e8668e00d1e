package main

import (
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// TestIsAway: a folder that can't be reached sends a capture into the spool, and what is wrong with what is in it does not.
func TestIsAway(t *testing.T) {
	for err, away := range map[error]bool{
		store.ErrNoRepository: true, storage.ErrGone: true, errNoAnswer: true, syscall.ESTALE: true, syscall.EHOSTDOWN: true,
		syscall.EHOSTUNREACH: true, syscall.ETIMEDOUT: true, syscall.ENOTCONN: true, syscall.EIO: true,
		store.ErrWrongSecret: false, syscall.EACCES: false, syscall.ENOSPC: false, syscall.EROFS: false, fs.ErrNotExist: false,
	} {
		if got := isAway(fmt.Errorf("opening: %w", &storage.Error{Op: "stat", Err: err})); got != away {
			t.Errorf("%v: %v", err, got)
		}
	}
}

// TestSpoolNeedsRoom: a capture of what the spool does not know needs room for all that the capture before had; one of what it
// knows does not.
func TestSpoolNeedsRoom(t *testing.T) {
	b := newBench(t)
	scans := make([]byte, 8<<20)
	rand.NewChaCha8([32]byte{}).Read(scans)
	if err := os.WriteFile(b.path("seedbank", "scans"), scans, 0o600); err != nil {
		t.Fatal(err)
	}
	b.must("capture", "--no-spool", b.path("seedbank"))
	for _, way := range []struct {
		limit int64 // MiB beyond the least
		room  bool
	}{
		{4, false}, {64, true},
		{4, false}, // for what is in it counts
		{12, true},
	} {
		b.must("capture", "--spool", "--spool-limit", fmt.Sprintf("%dMiB", leastSpool>>20+way.limit), b.path("seedbank"))
		if said := b.stderr.String(); strings.Contains(said, "goes into the repository at once") == way.room {
			t.Errorf("limit %d: %s", way.limit, said)
		}
	}
}

// TestSpoolIsFull: a medium that is full, or over its quota, is told from all else, and only where a repository can take the capture.
func TestSpoolIsFull(t *testing.T) {
	b := newBench(t)
	for _, c := range []struct {
		err        error
		away, full bool
	}{
		{syscall.ENOSPC, false, true}, {syscall.EDQUOT, false, true}, {syscall.EIO, false, false}, {nil, false, false}, {syscall.ENOSPC, true, false},
	} {
		env := map[string]string{"KIST_REPOSITORY": b.path("repo"), "KIST_KEY_FILE": b.path("key"), "KIST_CACHE": "off", "KIST_STATE": b.known}
		a := newApp(strings.NewReader(""), &b.stdout, &b.stderr, func(key string) string { return env[key] })
		r, err := a.open(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		s := &capturing{app: a}
		if s.spool, err = a.spoolBeside(t.Context(), r, true); err != nil {
			t.Fatal(err)
		}
		into := r
		if c.away {
			into = nil
		}
		if got := s.isFull(&storage.Error{Op: "put", Err: c.err}, into); got != c.full || (s.spool == nil) != c.full {
			t.Errorf("%+v: %v, and the spool is left: %v", c, got, s.spool == nil)
		}
		s.close(t.Context(), r)
	}
}

// TestSpoolTidiesHeld: a capture that is held in the repository is no more kept in the spool than others: the hold is there.
func TestSpoolTidiesHeld(t *testing.T) {
	b := newBench(t)
	for range spoolKeeps + 1 {
		b.must("capture", "--spool", "--hold", b.path("seedbank"))
		if said := b.stderr.String(); strings.Contains(said, "not tidied") {
			t.Error(said)
		}
	}
	left, err := filepath.Glob(filepath.Join(b.known, "spool", "*", "repository", "captures", "*"))
	if err != nil || len(left) != spoolKeeps {
		t.Errorf("%q, %v", left, err)
	}
	b.must("list")
	if n := strings.Count(b.stdout.String(), "yes"); n != spoolKeeps+1 {
		t.Errorf("%d are held: %s", n, &b.stdout)
	}
}
