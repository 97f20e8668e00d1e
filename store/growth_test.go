package store_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// growing is a repository into which captures are made an hour apart, each by a
// process of its own with the cache of its machine.
type growing struct {
	*fixture
	clock  time.Time
	faulty *storagetest.Faulty
	state  string // folder of what the machine knows

	mu    sync.Mutex
	calls []string
}

func newGrowing(t testing.TB) *growing {
	g := &growing{fixture: newFixture(t), state: t.TempDir(), clock: time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)}
	g.mem.SetNow(func() time.Time { return g.clock })
	g.faulty = storagetest.NewFaulty(g.mem)
	g.faulty.Before(func(m storagetest.Method, name string) {
		g.mu.Lock()
		defer g.mu.Unlock()
		g.calls = append(g.calls, fmt.Sprintf("%s %s", m, name))
	})
	return g
}

// open opens the repository as another process does.
func (g *growing) open(cache string) *store.Repository {
	g.t.Helper()
	os.Chmod(cache, 0o700) // TempDir may be a folder that a group can write
	r, err := store.Open(g.t.Context(), g.faulty, g.key, store.OpenOptions{Cache: cache, State: g.state})
	if err != nil {
		g.t.Fatal(err)
	}
	g.t.Cleanup(func() { r.Close() })
	return r
}

// step makes a capture an hour later, and gives the calls that it took beside
// opening.
func (g *growing) step(cache string, v store.VolumeInput) (*store.Capture, []string) {
	g.t.Helper()
	g.clock = g.clock.Add(time.Hour)
	r := g.open(cache)
	g.calls = nil
	c, err := r.Capture(g.t.Context(), store.CaptureOptions{
		Name: "seedbank", Host: "hazel", Taken: g.clock, Volumes: []store.VolumeInput{v},
	})
	if err != nil {
		g.t.Fatal(err)
	}
	return c, g.calls
}

func (g *growing) count(folder string) int {
	g.t.Helper()
	infos, err := g.mem.List(context.Background(), folder)
	if err != nil {
		g.t.Fatal(err)
	}
	return len(infos)
}

// tree makes a folder of files.
func tree(t testing.TB, files int) string {
	t.Helper()
	dir := t.TempDir()
	for i := range files {
		writeFile(t, filepath.Join(dir, fmt.Sprintf("d%d", i%7), fmt.Sprintf("f%d", i)), random(byte(i), 500+i))
	}
	return dir
}

func writeFile(t testing.TB, path string, content []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, content, 0o644); err != nil {
		t.Fatal(err)
	}
	// Else it counts as changed so lately that it may change again unseen.
	old := time.Now().Add(-time.Hour)
	if err := os.Chtimes(path, old, old); err != nil {
		t.Fatal(err)
	}
}

func folderInput(dir string) store.VolumeInput {
	return store.VolumeInput{Name: "data", Source: dir, Folder: &store.FolderInput{Path: dir, Now: later}}
}

// maxCalls is how many calls of its storage an unchanged capture may take with a
// warm cache, whatever the number of captures before it. Two of them look into folders of slabs, in turn.
const maxCalls = 18

func TestCallsOfAnUnchangedCapture(t *testing.T) {
	dir := tree(t, 300)
	for name, v := range map[string]store.VolumeInput{
		"stream": stream(tarOf(t, file{name: "catalogue", content: random(1, 300_000)})),
		"folder": folderInput(dir),
	} {
		t.Run(name, func(t *testing.T) {
			g, cache := newGrowing(t), t.TempDir()
			captures := 90
			if testing.Short() {
				captures = 25
			}
			worst := []string{}
			for i := range captures {
				c, calls := g.step(cache, v)
				if len(calls) > maxCalls && i > 1 {
					t.Errorf("capture %d takes %d calls:\n%s", i, len(calls), strings.Join(calls, "\n"))
				}
				if i > 1 && len(calls) > len(worst) {
					worst = slices.Clone(calls)
				}
				if i > 0 && c.Added > 16<<10 {
					t.Errorf("unchanged capture %d adds %d bytes", i, c.Added)
				}
			}
			t.Logf("at most %d calls:\n%s", len(worst), strings.Join(worst, "\n"))
			if n := g.count("tables"); n > 30 {
				t.Errorf("%d tables after %d captures", n, captures)
			}
		})
	}
}

// A folder of which a file changes each time: its content comes to lie in many
// slabs, and yet an unchanged capture of it opens a few.
func TestCallsAfterManyChanges(t *testing.T) {
	g, cache, dir := newGrowing(t), t.TempDir(), tree(t, 200)
	rounds := 60
	if testing.Short() {
		rounds = 20
	}
	total := 0
	for i := range rounds {
		writeFile(t, filepath.Join(dir, fmt.Sprintf("d%d", i%7), fmt.Sprintf("f%d", i)), random(byte(100+i), 600+i))
		_, calls := g.step(cache, folderInput(dir))
		if len(calls) > 40 { // one of nine lists tables, and merges them
			t.Errorf("changed capture %d takes %d calls:\n%s", i, len(calls), strings.Join(calls, "\n"))
		}
		total += len(calls)
	}
	if total > 21*rounds {
		t.Errorf("%d changed captures take %d calls", rounds, total)
	}
	t.Logf("a changed capture takes %.1f calls", float64(total)/float64(rounds))
	c, calls := g.step(cache, folderInput(dir))
	t.Logf("%d calls:\n%s", len(calls), strings.Join(calls, "\n"))
	if slices.ContainsFunc(calls, func(call string) bool { return strings.HasPrefix(call, "read slabs/") }) {
		t.Errorf("a slab of which this machine has a copy is read:\n%s", strings.Join(calls, "\n"))
	}
	if len(calls) > maxCalls {
		t.Errorf("an unchanged capture after %d changes takes %d calls", rounds, len(calls))
	}
	if c.Volumes[0].Reused < 200 {
		t.Errorf("%d members are taken over", c.Volumes[0].Reused)
	}
}
