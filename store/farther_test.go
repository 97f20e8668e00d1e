package store_test

import (
	"bytes"
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

// farther is a repository in an object store, whose requests are counted, and machines that use it.
type farther struct {
	t        *testing.T
	mem      *storage.Memory
	requests *storagetest.Requests
	key      *crypt.KeyFile
	home     string
}

// newFarther gives one in memory, or in what is around that.
func newFarther(t *testing.T, mem *storage.Memory, around storage.Storage) *farther {
	t.Helper()
	f := &farther{t: t, mem: mem, requests: storagetest.NewRequests(around), key: crypt.NewKeyFile(), home: t.TempDir()}
	os.Chmod(f.home, 0o700)
	r, err := store.Create(t.Context(), mem, f.key, store.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
	return f
}

// on has a machine do something, and gives the requests that it took, with opening.
func (f *farther) on(machine string, do func(context.Context, *store.Repository) error) []string {
	f.t.Helper()
	home := filepath.Join(f.home, machine)
	if err := os.MkdirAll(home, 0o700); err != nil {
		f.t.Fatal(err)
	}
	f.requests.Take()
	r, err := store.Open(f.t.Context(), f.requests, f.key, store.OpenOptions{Cache: filepath.Join(home, "cache"), State: filepath.Join(home, "state"), KeepBases: true})
	if err != nil {
		f.t.Fatal(err)
	}
	defer r.Close()
	if err := do(f.t.Context(), r); err != nil {
		f.t.Fatal(err)
	}
	return f.requests.Take()
}

// capture has a machine capture a volume.
func (f *farther) capture(machine string, o store.CaptureOptions, v store.VolumeInput) (c *store.Capture, requests []string) {
	f.t.Helper()
	o.Name, o.Host, o.Volumes = "seedbank", machine, []store.VolumeInput{v}
	requests = f.on(machine, func(ctx context.Context, r *store.Repository) (err error) {
		c, err = r.Capture(ctx, o)
		return err
	})
	return c, requests
}

// captureOver is capture that may fail, over another way to the store.
func (f *farther) captureOver(st storage.Storage, machine string, v store.VolumeInput) (*store.Capture, error) {
	home := filepath.Join(f.home, machine)
	r, err := store.Open(f.t.Context(), st, f.key, store.OpenOptions{Cache: filepath.Join(home, "cache"), State: filepath.Join(home, "state")})
	if err != nil {
		return nil, err
	}
	defer r.Close()
	return r.Capture(f.t.Context(), store.CaptureOptions{Name: "seedbank", Host: machine, Volumes: []store.VolumeInput{v}})
}

// whole makes sure that all captures restore, and gives what verifying finds missing.
func (f *farther) whole() (missing []string) {
	f.t.Helper()
	r, err := store.Open(f.t.Context(), f.mem, f.key, store.OpenOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	defer r.Close()
	report, err := r.Verify(f.t.Context(), store.VerifyOptions{Full: true})
	if err != nil {
		f.t.Fatal(err)
	}
	for _, d := range report.Damage {
		missing = append(missing, fmt.Sprint(d))
	}
	return missing
}

// asked counts the requests that begin so.
func asked(requests []string, what string) (n int) {
	for _, r := range requests {
		if strings.HasPrefix(r, what) {
			n++
		}
	}
	return n
}

// misses tells whether a capture would be missed if its index file went.
func (f *farther) misses(c *store.Capture) bool {
	f.t.Helper()
	name := "captures/" + c.ID
	content := objects(f.t, f.mem)[name]
	if err := f.mem.Remove(f.t.Context(), name); err != nil {
		f.t.Fatal(err)
	}
	missed := slices.ContainsFunc(f.whole(), func(what string) bool { return strings.Contains(what, c.ID) })
	if err := f.mem.Put(f.t.Context(), name, bytes.NewReader(content)); err != nil {
		f.t.Fatal(err)
	}
	return missed
}

func sizes(infos []storage.Info) (n int64) {
	for _, info := range infos {
		n += info.Size
	}
	return n
}
