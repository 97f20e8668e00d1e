package main

import (
	"bytes"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// TestObjects: the measurement counts what the store was asked, and leaves nothing there.
func TestObjects(t *testing.T) {
	f := objectstest.NewFake(t)
	t.Setenv("AWS_ACCESS_KEY_ID", "hazel")
	t.Setenv("AWS_SECRET_ACCESS_KEY", "catalogue")
	var out, log bytes.Buffer
	args := []string{"objects", "-dir", t.TempDir(), "-to", "s3://seeds/a?endpoint=" + f.Server.URL, "-size", "1MiB", "-price-put", "5"}
	if status := run(t.Context(), args, &out, &log); status != 0 {
		t.Fatalf("status %d: %s", status, &log)
	}
	for _, line := range []string{"first capture", "unchanged capture", "restore", "retire one and reclaim it"} {
		if !strings.Contains(out.String(), "\n  "+line+" ") {
			t.Errorf("nothing of %s in\n%s", line, &out)
		}
	}
	if len(f.Objects) > 0 {
		t.Errorf("left: %v", f.Objects)
	}
	if status := run(t.Context(), []string{"objects", "-to", "s3://seeds/a"}, io.Discard, io.Discard); status != 2 {
		t.Errorf("without an endpoint: status %d", status)
	}
}

func TestCost(t *testing.T) {
	p := prices{Put: 5, Get: 0.4, Out: 9}
	got := p.cost(objectstest.Traffic{Puts: 100, Lists: 100, Gets: 200, Heads: 50, Removals: 1000, In: 1 << 40, Out: 1 << 29})
	if want := 1.0 + 0.1 + 4.5; math.Abs(got-want) > 1e-9 {
		t.Errorf("%v, not %v", got, want)
	}
}
