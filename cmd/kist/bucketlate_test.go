package main

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// TestStoreLags: the first list of leases, or of what setting up tries, comes of a gateway that shows what was before. Setting up there is
// refused; a capture says so; what removes for good stops, and removes nothing; and nothing is lost.
func TestStoreLags(t *testing.T) {
	g := objectstest.NewGateways()
	var since atomic.Pointer[time.Time] // what it shows
	var hides atomic.Bool               // it shows neither slabs nor what is tried
	began := time.Now()
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		way := objectstest.Gateway{}
		prefix := r.URL.Query().Get("prefix")
		if strings.HasPrefix(prefix, "hazel/leases") || strings.HasPrefix(prefix, "hazel/_aside") {
			if at := since.Swap(nil); at != nil {
				way.Lag = time.Since(*at)
			}
		}
		if hides.Load() && (strings.Contains(r.URL.Path, "/slabs/") || strings.HasPrefix(prefix, "hazel/_aside")) {
			way.Lag = time.Since(began)
		}
		g.Answer(way, w, r)
	}))
	defer server.Close()
	lag := func() {
		now := time.Now()
		since.Store(&now)
	}
	data := t.TempDir()
	kist := inBucketAt(t, server.URL, "off")
	run := func(args ...string) (int, string) { return kist("", args...) }
	must := succeeding(t, run)

	lag()
	if status, said := run("setup"); status != statusFailed || !strings.Contains(said, "Nothing was made") || !strings.Contains(said, "a second site") || len(g.Fake.Objects) > 0 {
		t.Errorf("setup: status %d, %d objects left, %s", status, len(g.Fake.Objects), said)
	}
	must("setup")
	for _, version := range []string{"1", "2", "3"} {
		if err := os.WriteFile(filepath.Join(data, "seeds.csv"), bytes.Repeat([]byte(version), 100_000), 0o600); err != nil {
			t.Fatal(err)
		}
		must("capture", "--name", "seeds", "--version", version, data)
	}
	must("retire", "seeds@1")
	lag()
	before := len(g.Fake.Objects)
	if status, said := run("reclaim", "--grace", "0"); status != statusFailed || !strings.Contains(said, "stopped, so that nothing goes that a capture needs") || len(g.Fake.Objects) < before {
		t.Errorf("reclaim: status %d, %d of %d objects left, %s", status, len(g.Fake.Objects), before, said)
	}
	lag()
	if status, said := run("capture", "--name", "seeds", "--version", "4", data); !strings.Contains(said, "does not show at once what it has taken") || status != statusDone {
		t.Errorf("capture: status %d, %s", status, said)
	}
	for says, args := range map[string][]string{"stopped, so that nothing is given up": {"repair"}, "nothing is given up: ": {"repair", "--drop"}} {
		lag()
		if status, said := run(args...); status != statusFailed || !strings.Contains(said, says) || len(g.Fake.Objects) < before {
			t.Errorf("%v: status %d, %d of %d objects left, %s", args, status, len(g.Fake.Objects), before, said)
		}
	}
	hides.Store(true)
	if status, said := run("verify"); status != statusDamage || !strings.Contains(said, "counts as missing here") {
		t.Errorf("verify: status %d, %s", status, said)
	}
	hides.Store(false)
	must("verify", "--full")
	must("status")
	said := must("list")
	for _, version := range []string{" 2 ", " 3 ", " 4 "} {
		if !strings.Contains(said, version) {
			t.Errorf("%s is lost: %s", version, said)
		}
	}
	must("reclaim", "--grace", "0")
	must("verify", "--full")
}
