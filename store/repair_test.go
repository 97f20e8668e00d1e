package store_test

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// repairCase is a repository of several captures, with marks of all kinds.
type repairCase struct {
	*harmCase
	held string // id of the capture that is held
}

func newRepairCase(t *testing.T) *repairCase {
	f := newFixture(t)
	h := &repairCase{harmCase: &harmCase{key: f.key, streams: make(map[string][]byte)}}
	shared := file{name: "catalogue", content: random(1, 40_000)}
	for i := range byte(3) {
		in := tarOf(t, file{name: "first", content: random(10+i, 900)}, shared, file{name: fmt.Sprintf("lot%d", i), content: random(2+i, 20_000)}, file{name: "last", content: []byte("end")})
		c := f.capture(in)
		h.captures = append(h.captures, c)
		h.streams[c.ID] = in
	}
	h.held = h.captures[0].ID
	if err := f.Hold(t.Context(), []string{h.held}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	f.retire(h.captures[1])
	f.reclaim(store.ReclaimOptions{})
	h.objects = objects(t, f.mem)
	return h
}

func (h *repairCase) open(t *testing.T, mem *storage.Memory) *store.Repository {
	t.Helper()
	r, err := store.Open(t.Context(), mem, h.key, store.OpenOptions{})
	if err != nil {
		t.Skipf("can't be opened: %v", err)
	}
	return r
}

var damages = map[string]func([]byte) []byte{
	"flipped in the middle": func(b []byte) []byte { b[len(b)/2] ^= 4; return b },
	"flipped near the end":  func(b []byte) []byte { b[len(b)-3] ^= 1; return b },
	"cut in half":           func(b []byte) []byte { return b[:len(b)/2] },
	"emptied":               func(b []byte) []byte { return nil },
	"removed":               nil,
}

func (h *repairCase) altered(t *testing.T, name string, change func([]byte) []byte) *storage.Memory {
	objects := maps.Clone(h.objects)
	if change == nil {
		delete(objects, name)
	} else {
		objects[name] = change(bytes.Clone(objects[name]))
	}
	return memoryOf(t, objects)
}

// TestRepairEverything harms every object in several ways. Repairing mends it, or
// says what can't be mended, and then drops that alone when told to. Afterwards
// all verifies, and what was not said to be lost is as it was.
func TestRepairEverything(t *testing.T) {
	h := newRepairCase(t)
	for _, name := range slices.Sorted(maps.Keys(h.objects)) {
		for how, change := range damages {
			t.Run(strings.ReplaceAll(name, "/", "_")+" "+how, func(t *testing.T) { h.repair(t, h.altered(t, name, change), name) })
		}
	}
}

func (h *repairCase) repair(t *testing.T, mem *storage.Memory, name string) {
	r := h.open(t, mem)
	defer r.Close()
	out, err := r.Repair(t.Context(), store.RepairOptions{})
	if err != nil {
		t.Fatal(err)
	}
	lost := make(map[string]bool) // captures that lose something
	for _, l := range out.Lost {
		lost[l.Capture] = true
	}
	for _, id := range slices.Concat(out.Unreadable, out.Vanished) {
		lost[id] = true
	}
	if name == "captures/"+h.captures[2].ID && len(h.objects[name]) > 0 && len(lost) == 0 {
		lost[h.captures[2].ID] = true // nobody saw the newest capture
	}
	h.expectRest(t, r, lost)
	if !out.Mended() {
		before := out
		if out, err = r.Repair(t.Context(), store.RepairOptions{Drop: true}); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(out.Lost, before.Lost) || !slices.Equal(out.Unreadable, before.Unreadable) || !slices.Equal(out.Vanished, before.Vanished) {
			t.Errorf("said to cost %+v, and cost %+v", before, out)
		}
	}
	if c, err := r.Find(t.Context(), h.held); err == nil && !c.Held && h.objects[name] != nil && !strings.HasPrefix(name, "holds/") {
		t.Error("a hold is lost")
	}
	// Where all had to be given up, the slabs that are left are nobody's.
	left, err := r.AllCaptures(t.Context())
	nothing := err == nil && len(left) == 0
	if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: time.Hour, AcceptUnexplained: nothing}); err != nil {
		t.Fatalf("reclaiming after repairing: %v", err)
	}
	if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, AcceptUnexplained: nothing}); err != nil {
		t.Fatalf("reclaiming after repairing: %v", err)
	}
	if strings.HasPrefix(name, "keyslots/") || name == "kist.json" {
		return // opened all the same, and not mended
	}
	report, err := r.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil || !report.OK {
		t.Errorf("after all: %+v, %v", report, err)
	}
	h.expectRest(t, r, lost)
	again, err := r.Repair(t.Context(), store.RepairOptions{})
	if err != nil || !again.Mended() || len(again.Healed)+len(again.Marks) > 0 {
		t.Errorf("a second time: %+v, %v", again, err)
	}
}

// expectRest tests that all captures restore, and those that lost nothing as they
// were.
func (h *repairCase) expectRest(t *testing.T, r *store.Repository, lost map[string]bool) {
	t.Helper()
	all, err := r.AllCaptures(t.Context())
	if err != nil && len(lost) == 0 {
		t.Fatal(err)
	}
	there := make(map[string]bool)
	for _, c := range all {
		there[c.ID] = true
		if lost[c.ID] {
			continue
		}
		var out bytes.Buffer
		if err := r.Restore(t.Context(), &c.Volumes[0], &out, store.RestoreOptions{}); err != nil || !bytes.Equal(out.Bytes(), h.streams[c.ID]) {
			t.Errorf("capture %s: %v", c.ID, err)
		}
	}
	for _, c := range h.captures {
		if !there[c.ID] && !lost[c.ID] && c.ID != h.captures[1].ID {
			t.Errorf("capture %s is not there", c.ID)
		}
	}
}

// TestHeal harms a slab, captures the same contents again, and repairs: the older
// captures are as they were.
func TestHeal(t *testing.T) {
	h := newRepairCase(t)
	for name := range h.objects {
		if !strings.HasPrefix(name, "slabs/") {
			continue
		}
		for how, change := range damages {
			t.Run(how, func(t *testing.T) { h.heal(t, h.altered(t, name, change)) })
		}
	}
}

func (h *repairCase) heal(t *testing.T, mem *storage.Memory) {
	r := h.open(t, mem)
	defer r.Close()
	if _, err := r.Repair(t.Context(), store.RepairOptions{}); err != nil {
		t.Fatal(err)
	}
	for _, in := range h.streams {
		if _, err := r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Version: "again", Volumes: []store.VolumeInput{stream(in)}}); err != nil {
			t.Fatal(err)
		}
	}
	out, err := r.Repair(t.Context(), store.RepairOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if !out.Mended() {
		t.Errorf("%+v", out)
	}
	for _, c := range h.captures {
		found, err := r.Find(t.Context(), c.ID)
		if err != nil {
			t.Fatal(err)
		}
		var got bytes.Buffer
		if err := r.Restore(t.Context(), &found.Volumes[0], &got, store.RestoreOptions{}); err != nil || !bytes.Equal(got.Bytes(), h.streams[c.ID]) {
			t.Errorf("capture %s: %v", c.ID, err)
		}
	}
	if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil {
		t.Fatal(err)
	}
	if report, err := r.Verify(t.Context(), store.VerifyOptions{Full: true}); err != nil || !report.OK {
		t.Errorf("%+v, %v", report, err)
	}
}
