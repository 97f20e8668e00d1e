package storage_test

import (
	"context"
	"fmt"
	"maps"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestCallsOfAFolder: over a share each call takes a while, so none is made in vain.
func TestCallsOfAFolder(t *testing.T) {
	disk := storagetest.NewDisk(0)
	made, err := disk.Create("slabs", "captures")
	if err != nil {
		t.Fatal(err)
	}
	for i := range 20 {
		put(t, made, fmt.Sprintf("slabs/%02x/there", i), strings.NewReader("x"))
	}
	if err := made.Close(); err != nil {
		t.Fatal(err)
	}
	share := storagetest.NewShare(disk.Place())
	f, err := storage.OpenFolderAt(share)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	// A file is written aside, flushed, and moved to a free name.
	one := map[string]int64{"create": 1, "write": 1, "sync": 1, "close": 1, "stat": 1, "rename": 1, "sync folder": 1}
	inNew := maps.Clone(one)
	inNew["make folder"], inNew["sync folder"] = 1, 2
	for _, c := range []struct {
		what string
		do   func(ctx context.Context) error
		want map[string]int64
	}{
		{"put", func(ctx context.Context) error { return f.Put(ctx, "captures/a", strings.NewReader("x")) }, one},
		{"put in a folder that may be missing", func(ctx context.Context) error { return f.Put(ctx, "slabs/00/a", strings.NewReader("x")) }, inNew},
		{"put there again", func(ctx context.Context) error { return f.Put(ctx, "slabs/00/b", strings.NewReader("x")) }, one},
		// The time takes four calls, and listing one of 23 folders three.
		{"remove what is aside", func(ctx context.Context) error { _, err := f.RemoveAside(ctx, time.Hour); return err },
			map[string]int64{"create": 1, "close": 1, "stat": 1, "remove": 1, "list": 3 * 23}},
	} {
		share.Reset()
		if err := c.do(t.Context()); err != nil {
			t.Fatalf("%s: %v", c.what, err)
		}
		if got := share.Counts(); !maps.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.what, got, c.want)
		}
	}
}
