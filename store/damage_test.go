package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// objects gives all objects of a storage.
func objects(t testing.TB, st storage.Storage) map[string][]byte {
	t.Helper()
	infos, err := st.List(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	all := make(map[string][]byte)
	for _, info := range infos {
		b := make([]byte, info.Size)
		if err := st.ReadAt(t.Context(), info.Name, b, 0); err != nil {
			t.Fatal(err)
		}
		all[info.Name] = b
	}
	return all
}

// memoryOf gives a storage with those objects.
func memoryOf(t testing.TB, objects map[string][]byte) *storage.Memory {
	t.Helper()
	mem := storage.NewMemory()
	for name, b := range objects {
		if err := mem.Put(t.Context(), name, bytes.NewReader(b)); err != nil {
			t.Fatal(err)
		}
	}
	return mem
}

// harmCase is a repository of two captures that share some of their contents.
type harmCase struct {
	key      *crypt.KeyFile
	objects  map[string][]byte
	captures []*store.Capture
	streams  map[string][]byte // by capture
}

func newHarmCase(t *testing.T) *harmCase {
	f := newFixture(t)
	h := &harmCase{key: f.key, streams: make(map[string][]byte)}
	shared := file{name: "catalogue", content: random(1, 3000)}
	for i := range byte(2) {
		in := tarOf(t, shared, file{name: fmt.Sprintf("lot%d", i), content: random(2+i, 2000)})
		c := f.capture(in)
		h.captures = append(h.captures, c)
		h.streams[c.ID] = in
	}
	h.objects = objects(t, f.mem)
	return h
}

// check opens the repository with altered objects and holds what Verify says
// against what restores. It gives the report, or nil where opening failed with
// a fitting error.
func (h *harmCase) check(t *testing.T, altered map[string][]byte, what string) *store.Report {
	t.Helper()
	r, err := store.Open(t.Context(), memoryOf(t, altered), h.key, store.OpenOptions{})
	if err != nil {
		for _, fitting := range []error{store.ErrDamaged, store.ErrDamagedSlot, store.ErrUnknownFormat, store.ErrNoRepository, crypt.ErrNoSlot, crypt.ErrUnknownSlotVersion, crypt.ErrForeignSlot} {
			if errors.Is(err, fitting) {
				return nil
			}
		}
		t.Fatalf("%s: opening: %v", what, err)
	}
	defer r.Close()
	report, err := r.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil {
		t.Fatalf("%s: verify: %v", what, err)
	}
	h.checkHarm(t, r, report, what)
	return report
}

// checkHarm tests that a capture restores identical unless the report says that
// it is harmed, and that one that is harmed is never restored wrong in silence.
func (h *harmCase) checkHarm(t *testing.T, r *store.Repository, report *store.Report, what string) {
	t.Helper()
	captures, listErr := r.Captures(t.Context())
	if listErr != nil && !errors.Is(listErr, store.ErrDamaged) && !errors.Is(listErr, store.ErrUnknownFormat) {
		t.Fatalf("%s: list: %v", what, listErr)
	}
	for _, c := range captures {
		harmed := slices.ContainsFunc(report.Damage, func(d store.Damage) bool { return slices.Contains(d.Captures, c.ID) })
		var out bytes.Buffer
		err := r.Restore(t.Context(), &c.Volumes[0], &out, store.RestoreOptions{})
		switch {
		case err == nil && !bytes.Equal(out.Bytes(), h.streams[c.ID]):
			t.Fatalf("%s: capture %s restored wrong, without an error", what, c.ID)
		case (err != nil) != harmed:
			t.Fatalf("%s: capture %s: harmed is %v, restoring gave %v\n%+v", what, c.ID, harmed, err, report.Damage)
		}
	}
}

// TestFlippedBits flips a bit of bytes of every object in turn: of each at its beginning
// and its end, of some between, and of all with KIST_TEST_ROUNDS.
func TestFlippedBits(t *testing.T) {
	h := newHarmCase(t)
	stride, edge := 13, 64
	switch {
	case os.Getenv("KIST_TEST_ROUNDS") != "":
		stride = 1
	case testing.Short():
		stride, edge = 61, 8
	}
	flips := 0
	for name, b := range h.objects {
		for at := range b {
			if at >= edge && at < len(b)-edge && at%stride != 0 {
				continue
			}
			altered := clone(h.objects)
			altered[name] = slices.Clone(b)
			altered[name][at] ^= 1 << (at % 8)
			what := fmt.Sprintf("%s, byte %d", name, at)
			report := h.check(t, altered, what)
			if report != nil && report.OK {
				t.Fatalf("%s: not found", what)
			}
			flips++
		}
	}
	t.Logf("%d flips", flips)
}

func clone(m map[string][]byte) map[string][]byte {
	out := make(map[string][]byte, len(m))
	for k, v := range m {
		out[k] = v
	}
	return out
}

// TestCutAndMissingObjects cuts objects short and takes them away.
func TestCutAndMissingObjects(t *testing.T) {
	h := newHarmCase(t)
	for name, b := range h.objects {
		for _, n := range []int{0, 1, 15, 16, 87, 88, len(b) / 2, len(b) - 41, len(b) - 1} {
			if n < 0 || n >= len(b) {
				continue
			}
			altered := clone(h.objects)
			altered[name] = b[:n]
			what := fmt.Sprintf("%s cut to %d bytes", name, n)
			report := h.check(t, altered, what)
			if report != nil && report.OK {
				t.Errorf("%s: not found", what)
			}
		}
		altered := clone(h.objects)
		delete(altered, name)
		report := h.check(t, altered, name+" missing")
		// What nothing names any more can't be missed: a table, for its
		// slabs are found without it, and an index file.
		named := strings.HasPrefix(name, "slabs/")
		if named && report.OK {
			t.Errorf("%s missing: not found", name)
		}
	}
}

func TestHarmedMembersAreNamed(t *testing.T) {
	h := newHarmCase(t)
	for name, b := range h.objects {
		if !strings.HasPrefix(name, "slabs/") {
			continue
		}
		altered := clone(h.objects)
		altered[name] = slices.Clone(b)
		altered[name][200] ^= 1 // in the first frame: contents come before lists
		report := h.check(t, altered, name)
		if len(report.Damage) != 1 {
			t.Fatalf("%+v", report.Damage)
		}
		d := report.Damage[0]
		var paths []string
		for _, m := range d.Members {
			paths = append(paths, m.Path)
		}
		slices.Sort(paths)
		got := strings.Join(slices.Compact(paths), " ")
		if d.Object != name || (got != "catalogue lot0" && got != "lot1") || len(d.Captures) != map[string]int{"catalogue lot0": 2, "lot1": 1}[got] {
			t.Errorf("%s: harms %q of %v, named %s", name, got, d.Captures, d.Object)
		}
	}
}

func TestObjectsOutOfPlace(t *testing.T) {
	h := newHarmCase(t)
	var slabs, indexes []string
	for name := range h.objects {
		if strings.HasPrefix(name, "slabs/") {
			slabs = append(slabs, name)
		}
		if strings.HasPrefix(name, "captures/") {
			indexes = append(indexes, name)
		}
	}
	for _, pair := range [][]string{slabs, indexes} {
		altered := clone(h.objects)
		altered[pair[0]], altered[pair[1]] = altered[pair[1]], altered[pair[0]]
		if report := h.check(t, altered, "exchanged"); report.OK {
			t.Errorf("%v exchanged: not found", pair)
		}
	}
}

func TestRebuildTables(t *testing.T) {
	for _, how := range []string{"removed", "damaged"} {
		t.Run(how, func(t *testing.T) {
			h := newHarmCase(t)
			altered := clone(h.objects)
			for name, b := range h.objects {
				if strings.HasPrefix(name, "tables/") {
					delete(altered, name)
					if how == "damaged" {
						altered[name] = b[:len(b)-1]
					}
				}
			}
			mem := memoryOf(t, altered)
			r, err := store.Open(t.Context(), mem, h.key, store.OpenOptions{})
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			report, err := r.RebuildTables(t.Context())
			if err != nil || report.Slabs != 2 || len(report.Damaged) > 0 {
				t.Fatalf("%+v, %v", report, err)
			}
			verified, err := r.Verify(t.Context(), store.VerifyOptions{Full: true})
			if err != nil || !verified.OK || len(verified.Notes) > 0 {
				t.Fatalf("%+v, %v", verified, err)
			}
			again, err := r.RebuildTables(t.Context())
			if err != nil || again.Slabs != 0 {
				t.Errorf("a second time: %+v, %v", again, err)
			}
			// Chunks are found by the tables that were rebuilt.
			c, err := r.Capture(t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{stream(h.streams[h.captures[0].ID])}})
			if err != nil || c.Added > 2000 {
				t.Errorf("%+v, %v", c, err)
			}
		})
	}
}

// TestInterruptedCapture captures again over slabs that no table lists.
func TestInterruptedCapture(t *testing.T) {
	f := newFixture(t)
	in := tarOf(t, file{name: "catalogue", content: random(9, 2<<20)})
	f.capture(in)
	left := make(map[string][]byte)
	for name, b := range objects(t, f.mem) {
		if !strings.HasPrefix(name, "captures/") && !strings.HasPrefix(name, "tables/") {
			left[name] = b
		}
	}
	r, err := store.Open(t.Context(), memoryOf(t, left), f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	c, err := r.Capture(t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{stream(in)}})
	if err != nil {
		t.Fatal(err)
	}
	if c.Added > 64<<10 {
		t.Errorf("what had arrived was stored again: %d bytes added", c.Added)
	}
	report, err := r.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil || !report.OK || len(report.Notes) > 0 {
		t.Errorf("%+v, %v", report, err)
	}
	if err := r.Restore(t.Context(), &c.Volumes[0], io.Discard, store.RestoreOptions{}); err != nil {
		t.Error(err)
	}
}
