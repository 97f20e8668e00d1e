package store_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
)

// captureOf is capture under a name and a host.
func (f *fixture) captureFiles(name, host string, b []byte) *store.Capture {
	f.t.Helper()
	c, err := f.Capture(f.t.Context(), store.CaptureOptions{Name: name, Host: host, Volumes: []store.VolumeInput{stream(b)}})
	if err != nil {
		f.t.Fatal(err)
	}
	time.Sleep(time.Minute) // so that they are listed in this order
	return c
}

// near says whether a figure is what arithmetic gives, and at most so much more.
func near(t *testing.T, what string, got, want, more int64) {
	t.Helper()
	if got < want || got > want+more {
		t.Errorf("%s: %d, want %d and at most %d more", what, got, want, more)
	}
}

// TestUsageByArithmetic: n captures of B blocks, of which exactly p percent, k = B*p/100, are replaced by
// new ones each time (renewal says how). A block is a member of s = 1,500 random bytes, which is one chunk.
//
// The stream of a capture, by POSIX.1-2024 (XCU pax, ustar): for each block a header of 512 bytes and the
// content filled up to 1,536, and two blocks of zeros at the end: B * 2,048 + 1,024. So, of n captures:
//
//	captured        n * (B * 2,048 + 1,024), exactly
//	distinct        (B + (n-1) * k) * s: of the first capture all blocks, of each other one the new ones
//	stored          the same, as random bytes do not get shorter, and what sealing adds
//	deduplication   captured - distinct
//	compression     distinct - stored: 0, but for lists
//	overhead        index files, and what sealing adds
//
// Lists of members, at most renewalRest a capture before compression and after it, come on top of distinct
// and of stored.
func TestUsageByArithmetic(t *testing.T) {
	for _, r := range []renewal{{8, 100, 5, 0}, {12, 100, 10, 0}, {7, 100, 50, 0}, {3, 100, 100, 0}} {
		t.Run(fmt.Sprint(r.replaced), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { testUsageByArithmetic(t, r) })
		})
	}
}

func testUsageByArithmetic(t *testing.T, r renewal) {
	f := newFixture(t)
	defer f.Close()
	r.capture(f)
	u := f.usage()
	n, blocks, k, s := int64(r.captures), int64(r.blocks), int64(r.replaced), int64(renewalBlock)
	captured := n * (blocks*2048 + 1024)
	distinct := (blocks + (n-1)*k) * s
	// The list of 100 members, with names and times, is up to 60 bytes a member before compression.
	lists := n * max(renewalRest, blocks*60)
	if u.Captured != captured || u.Total.Captured != captured || u.Total.Captures != r.captures {
		t.Errorf("captured %d and %d by %d captures, want %d", u.Captured, u.Total.Captured, u.Total.Captures, captured)
	}
	near(t, "distinct", captured-u.Total.Deduplication, distinct, lists)
	near(t, "stored", u.Total.Stored, distinct, n*renewalRest)
	near(t, "saved by deduplication", u.Total.Deduplication, captured-distinct-lists, lists)
	near(t, "saved by compression", u.Total.Compression, 0, lists)
	near(t, "overhead", u.Total.Overhead, 0, n*renewalRest)
	if u.Total.Saved != u.Total.Deduplication+u.Total.Compression-u.Total.Overhead || u.Total.Saved != captured-u.Total.Stored {
		t.Errorf("saved %d is not the sum of its parts: %+v", u.Total.Saved, u.Total)
	}
	if u.Total.Alone != u.Total.Stored {
		t.Errorf("all captures alone keep %d, and what they store is %d", u.Total.Alone, u.Total.Stored)
	}
	fresh := int64(0)
	for i, c := range u.Captures {
		want := k * s
		if i == 0 {
			want = blocks * s
		}
		near(t, "fresh of "+c.ID, c.Fresh, want, renewalRest)
		near(t, "holds of "+c.ID, c.Holds, blocks*s, 2*renewalRest)
		fresh += c.Fresh
	}
	if fresh != u.Total.Stored {
		t.Errorf("what is fresh of each adds up to %d, and %d are stored", fresh, u.Total.Stored)
	}
	checkWhole(t, u)
	if len(u.Names) != 1 || u.Names[0].Cost != u.Total || len(u.Hosts) != 1 || u.Hosts[0].Cost != u.Total {
		t.Errorf("the only name and the only host do not cost what all does: %+v", u)
	}
}

// checkWhole: what is stored is what captures need, what nobody needs, and what lies beside chunks: tables of some
// 40 bytes a chunk, headers, padding of at most 12 % (FORMAT.md), key slots and kist.json.
func checkWhole(t *testing.T, u *store.Usage) {
	t.Helper()
	kept := u.Total.Stored + u.Reclaimable
	near(t, "beside chunks", u.Stored-kept, 0, kept/4+int64(len(u.Captures))*2000+4000)
}

// TestUsageOfShares: blocks that names share, and hosts, by construction. seedbank holds 60 blocks of its own and 40
// that herbarium has as well, which has 20 of its own; on host fern lies a copy of what seedbank is on hazel, with 10 more.
func TestUsageOfShares(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		defer f.Close()
		blocks := make([]file, 130)
		r := rand.NewChaCha8([32]byte{1})
		for i := range blocks {
			content := make([]byte, renewalBlock)
			r.Read(content)
			blocks[i] = file{name: fmt.Sprintf("block-%03d", i), content: content}
		}
		f.captureFiles("seedbank", "hazel", tarOf(t, blocks[:100]...))    // 0–99
		f.captureFiles("herbarium", "hazel", tarOf(t, blocks[60:120]...)) // 60–119
		f.captureFiles("seedbank", "fern", tarOf(t, append(blocks[120:130:130], blocks[:100]...)...))
		u := f.usage()
		checkWhole(t, u)
		for _, want := range []struct {
			what          string
			got           store.Cost
			captures      int
			stored, alone int64 // blocks
		}{
			{"all", u.Total, 3, 130, 130},
			{"herbarium", u.Names[0].Cost, 1, 60, 20},
			{"seedbank", u.Names[1].Cost, 2, 110, 70},
			{"fern", u.Hosts[0].Cost, 1, 110, 10},
			{"hazel", u.Hosts[1].Cost, 2, 120, 20},
		} {
			if want.got.Captures != want.captures {
				t.Errorf("%s: %d captures, not %d", want.what, want.got.Captures, want.captures)
			}
			near(t, want.what+" stored", want.got.Stored, want.stored*renewalBlock, 3*renewalRest)
			near(t, want.what+" alone", want.got.Alone, want.alone*renewalBlock, 3*renewalRest)
		}
		for _, want := range []struct {
			o             store.UsageOptions
			captures      int
			stored, alone int64
		}{
			{store.UsageOptions{Name: "seedbank"}, 2, 110, 70},
			{store.UsageOptions{Host: "hazel"}, 2, 120, 20},
			{store.UsageOptions{Name: "seedbank", Host: "hazel"}, 1, 100, 0},
		} {
			some, err := f.UsageOf(t.Context(), want.o)
			if err != nil {
				t.Fatal(err)
			}
			if len(some.Captures) != want.captures || some.Stored != u.Stored || some.Reclaimable != u.Reclaimable {
				t.Errorf("%s: %+v", want.o, some)
			}
			near(t, want.o.String(), some.Total.Stored, want.stored*renewalBlock, 3*renewalRest)
			near(t, want.o.String()+" alone", some.Total.Alone, want.alone*renewalBlock, 3*renewalRest)
			if want.o.Name == "" { // what those need that were not asked for is no name's alone
				near(t, "herbarium of hazel alone", some.Names[0].Alone, 20*renewalBlock, 3*renewalRest)
				near(t, "seedbank of hazel alone", some.Names[1].Alone, 0, 3*renewalRest)
			}
			var ids []string
			for _, c := range some.Captures {
				ids = append(ids, c.ID)
			}
			if freed, err := f.FreedBy(t.Context(), ids); err != nil || freed.Bytes != some.Total.Alone {
				t.Errorf("%s: alone keep %d, and would free %+v: %v", want.o, some.Total.Alone, freed, err)
			}
		}
		if _, err := f.UsageOf(t.Context(), store.UsageOptions{Name: "seedbank", Host: "oak"}); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("of no capture: %v", err)
		}
	})
}

// TestUsageOfCompression: of 30 files, each 1,500 bytes at random and as many zeros and so one chunk, half is saved by compression.
func TestUsageOfCompression(t *testing.T) {
	f := newFixture(t)
	var files []file
	for i := range 30 {
		files = append(files, file{name: fmt.Sprint(i), content: append(random(byte(i), 1500), make([]byte, 1500)...)})
	}
	f.capture(tarOf(t, files...))
	c := f.usage().Total
	near(t, "distinct", c.Captured-c.Deduplication, 30*3000, 2*renewalRest)
	near(t, "stored", c.Stored, 30*1500, 2*renewalRest)
	near(t, "compression", c.Compression, 30*1500-2*renewalRest, 4*renewalRest)
}

// TestUsageOfNone: an empty repository costs what it takes to be one.
func TestUsageOfNone(t *testing.T) {
	f := newFixture(t)
	u := f.usage()
	if u.Captures == nil || u.Total != (store.Cost{}) || u.Stored == 0 || u.Reclaimable != 0 {
		t.Errorf("%+v", u)
	}
}

// TestUsageOfLongRecipe: what holds the runs of a recipe that are too many for an index file is needed as well:
// nothing of it is reclaimable.
func TestUsageOfLongRecipe(t *testing.T) {
	f := newFixture(t)
	var files []file
	for i := range 4 * format.MaxInlineRuns {
		files = append(files, file{name: fmt.Sprintf("block-%03d", i), content: random(byte(i), 1500)})
	}
	f.capture(tarOf(t, files...))
	slices.Reverse(files) // no two chunks follow each other as they are stored
	f.capture(tarOf(t, files...))
	u := f.usage()
	if u.Reclaimable != 0 || len(u.Captures) != 2 {
		t.Errorf("all captures need all, and %d bytes are reclaimable", u.Reclaimable)
	}
	for _, c := range u.Captures {
		near(t, "holds of "+c.ID, c.Holds, int64(len(files))*1500, 4*renewalRest)
	}
}
