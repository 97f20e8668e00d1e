package store_test

import (
	"cmp"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// crowded is a repository in which others wrote much: names alone, of objects that can't be opened. What is put itself
// is in memory.
type crowded struct {
	*storage.Memory
	others map[string][]storage.Info // by the folder that they are listed with, in order
}

// List implements [storage.Storage].
func (c *crowded) List(ctx context.Context, folder string) ([]storage.Info, error) {
	infos, err := c.Memory.List(ctx, folder)
	if others := c.others[folder]; len(others) > 0 {
		infos = slices.Concat(infos, others)
		slices.SortFunc(infos, func(a, b storage.Info) int { return cmp.Compare(a.Name, b.Name) })
	}
	if folder == "slabs" {
		for i := range 256 {
			infos = append(infos, c.others[fmt.Sprintf("slabs/%02x", i)]...)
		}
		slices.SortFunc(infos, func(a, b storage.Info) int { return cmp.Compare(a.Name, b.Name) })
	}
	return infos, err
}

// ReadAt implements [storage.Storage].
func (c *crowded) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	folder := path.Dir(name)
	if _, ok := slices.BinarySearchFunc(c.others[folder], name, func(i storage.Info, name string) int { return cmp.Compare(i.Name, name) }); ok {
		clear(p)
		return nil
	}
	return c.Memory.ReadAt(ctx, name, p, off)
}

// add has others write so many captures, tables and slabs, over so many days until a time.
func (c *crowded) add(seed uint64, until time.Time, days, captures, tables, slabs int) {
	dice := rand.New(rand.NewPCG(seed, 1))
	letters := func() string {
		b := make([]byte, 4)
		for i := range b {
			b[i] = "0123456789abcdefghijklmnopqrstuvwxyz"[dice.IntN(36)]
		}
		return string(b)
	}
	hex := func(n int) string { return fmt.Sprintf("%016x%016x", dice.Uint64(), dice.Uint64())[:n] }
	note := func(folder, name string, at time.Time) {
		c.others[folder] = append(c.others[folder], storage.Info{Name: folder + "/" + name, Size: 1500, Modified: at})
	}
	over := func(folder string, n int) {
		for i := range n {
			at := until.Add(-time.Duration(i) * (time.Duration(days) * 24 * time.Hour / time.Duration(n)))
			note(folder, at.UTC().Format("20060102t1504z-")+letters(), at)
		}
	}
	over("captures", captures)
	over("tables", tables)
	for range slabs {
		id := hex(24)
		note("slabs/"+id[:2], id, until)
	}
	for folder := range c.others {
		slices.SortFunc(c.others[folder], func(a, b storage.Info) int { return cmp.Compare(a.Name, b.Name) })
	}
}

// work has machines be at work.
func (c *crowded) work(machines int) {
	for i := range machines {
		for _, n := range []int{0, 3} {
			c.others["leases"] = append(c.others["leases"], storage.Info{Name: fmt.Sprintf("leases/%016x.%d", i, n), Size: 300, Modified: time.Now()})
		}
	}
}

// requestsMost is how many requests an unchanged capture may take with opening, however much others wrote; issued one after the other,
// at 20 ms each, they take 0.4 s.
const requestsMost = 20

// TestRequestsOfAnUnchangedCapture: in a repository of 100 machines and 10 TiB.
func TestRequestsOfAnUnchangedCapture(t *testing.T) {
	for name, input := range map[string]store.VolumeInput{
		"stream": stream(tarOf(t, file{name: "catalogue", content: random(1, 300_000)})),
		"folder": folderInput(tree(t, 300)),
	} {
		t.Run(name, func(t *testing.T) {
			c := &crowded{storage.NewMemory(), make(map[string][]storage.Info)}
			requests := storagetest.NewRequests(c)
			key, home := crypt.NewKeyFile(), t.TempDir()
			os.Chmod(home, 0o700)
			r, err := store.Create(t.Context(), c.Memory, key, store.CreateOptions{})
			if err != nil {
				t.Fatal(err)
			}
			r.Close()
			capture := func(v store.VolumeInput) (*store.Capture, []string) {
				t.Helper()
				requests.Take()
				r, err := store.Open(t.Context(), requests, key, store.OpenOptions{Cache: filepath.Join(home, "cache"), State: filepath.Join(home, "state")})
				if err != nil {
					t.Fatal(err)
				}
				defer r.Close()
				made, err := r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{v}})
				if err != nil {
					t.Fatal(err)
				}
				return made, requests.Take()
			}
			now := time.Now()
			c.add(1, now, 300, 30_000, 0, 0)
			capture(input)
			capture(input) // nothing was there that the first could name as seen
			c.add(1, now, 300, 0, 30_000, 330_000)
			c.work(100)
			worst := 0
			for i := range 4 {
				if i == 2 {
					c.add(2, now, 1, 100, 100, 1000) // a day of all others
				}
				_, all := capture(input)
				if worst = max(worst, len(all)); len(all) > requestsMost {
					t.Errorf("unchanged capture %d takes %d requests:\n%s", i, len(all), strings.Join(all, "\n"))
				}
			}
			t.Logf("at most %d requests", worst)
		})
	}
}
