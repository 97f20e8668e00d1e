package main

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"testing"

	"github.com/kistarchive/kist/store"
)

// fate is what may become of a capture that was committed.
type fate int

const (
	stays   fate = iota // it is listed, and restores
	retires             // it may be listed no more, but restores by its id
	goes                // it may be gone
)

// check verifies all in full, and restores every capture that was ever listed, but
// for those that were to go.
func (k *killCase) check(what string) {
	k.t.Helper()
	status := k.run(k.t.Context(), "verify", "--full")
	if status != statusDone && (status != statusDamage || !k.harmed && !k.worn) {
		k.t.Fatalf("%s: verify: status %d: %s%s", what, status, &k.stdout, &k.stderr)
	}
	k.learn()
	for id, want := range k.known {
		got, status := k.restore(id)
		switch {
		case status == statusDone && got == want:
		case status == statusMissing && k.fates[id] == goes:
			k.forget(id)
		case status == statusDamage && k.harmed:
		default:
			k.t.Fatalf("%s: capture %s restores with status %d to %s, not %s: %s", what, id, status, got, want, &k.stderr)
		}
	}
}

// restore gives the SHA-256 of the stream of a capture, and the status.
func (k *killCase) restore(id string) (string, int) {
	k.t.Helper()
	status := k.run(k.t.Context(), "restore", "--quiet", id, "--tar", "-")
	sum := sha256.Sum256(k.stdout.Bytes())
	return hex.EncodeToString(sum[:]), status
}

func (k *killCase) forget(id string) {
	delete(k.known, id)
	delete(k.fates, id)
}

// manyCaptures are so many that restoring all after each round takes long.
const manyCaptures = 8

// reclaimAll reclaims: what was retired is gone then.
func (k *killCase) reclaimAll(what string) {
	k.t.Helper()
	if n := len(k.listed); n > manyCaptures {
		k.retireNow(k.listed[:n-manyCaptures/2]...)
	}
	k.must(reclaimNow...)
	for id := range k.fates {
		if _, status := k.restore(id); status != statusMissing {
			k.t.Fatalf("%s: capture %s was retired, and after a reclaim restores with status %d: %s", what, id, status, &k.stderr)
		}
		k.forget(id)
	}
	k.learn()
}

// learn takes down captures that are listed for the first time: they must be
// of what lies there now.
func (k *killCase) learn() {
	k.t.Helper()
	k.listed = nil
	listed := make(map[string]bool)
	for _, c := range k.list() {
		listed[c.ID] = true
		k.listed = append(k.listed, c.ID)
		if _, ok := k.known[c.ID]; ok {
			continue
		}
		if c.Version != fmt.Sprint(k.number) {
			k.t.Fatalf("capture %s of round %s appeared in round %d", c.ID, c.Version, k.number)
		}
		k.known[c.ID] = k.expect(&c)
	}
	for id := range k.known {
		if !listed[id] && k.fates[id] == stays {
			k.t.Fatalf("capture %s is gone", id)
		}
	}
}

// expect gives the SHA-256 that a new capture must restore to. A folder has no
// stream of its own: it is restored as a folder, once, and compared.
func (k *killCase) expect(c *store.Capture) string {
	k.t.Helper()
	if c.Note == "tar" {
		return fileSum(k.t, k.path("seedbank.tar"))
	}
	k.must("restore", "--quiet", c.ID, "--into", k.path("out"))
	if err := compareTo(k.path("seedbank"), k.path("out")); err != nil {
		k.t.Fatalf("capture %s: %v", c.ID, err)
	}
	if err := os.RemoveAll(k.path("out")); err != nil {
		k.t.Fatal(err)
	}
	sum, status := k.restore(c.ID)
	if status != statusDone {
		k.t.Fatalf("capture %s: status %d: %s", c.ID, status, &k.stderr)
	}
	return sum
}

func fileSum(t *testing.T, name string) string {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(h.Sum(nil))
}
