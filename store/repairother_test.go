package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// mended is a capture that is in both places, whose index file or slab is harmed in the first.
type mended struct {
	a, b        *site
	here, there *machine
	capture     *Capture
	slab        string
	content     []byte // of the slab
}

func newMended(t *testing.T) *mended {
	m := &mended{a: newSite(t)}
	m.b = m.a.replica()
	m.here, m.there = m.a.open(t.TempDir()), m.b.open("")
	m.capture = m.here.put("seedbank", text(1, 200_000))
	m.slab, m.content = m.a.onlySlab()
	m.here.put("press", text(9, 50_000))
	m.here.replicate(m.there)
	return m
}

// goes names the slab finally in the first place.
func (m *mended) goes(t *testing.T) {
	id, err := names.ParseSlab(m.slab)
	if err == nil {
		_, err = m.here.ledger.PutBatch(t.Context(), names.Final, &format.BatchRecord{Slabs: []format.SlabID{id}})
	}
	if err != nil {
		t.Error(err)
	}
}

func (m *mended) close() {
	m.here.Close()
	m.there.Close()
}

// What is not to come back from another place does not: what went on purpose or is just being removed, and what is not what is
// known of it.
func TestRepairFromLeavesOut(t *testing.T) {
	index := func(m *mended) string { return names.Capture(m.capture.ID, 0) }
	for name, harm := range map[string]func(t *testing.T, m *mended){
		"the index file of what went on purpose": func(t *testing.T, m *mended) {
			m.a.flip(index(m), 200)
			m.here.departed(m.capture)
		},
		"one that is not what this machine made": func(t *testing.T, m *mended) {
			m.a.flip(index(m), 200)
			forged := *m.capture.captured.IndexFile
			forged.Note = "another"
			m.b.remove(index(m))
			if _, err := m.there.ledger.WriteGeneration(t.Context(), &forged, 0); err != nil {
				t.Fatal(err)
			}
		},
		"one that needs what is being removed": func(t *testing.T, m *mended) {
			m.a.flip(index(m), 200)
			m.goes(t)
		},
		"a slab that is being removed": func(t *testing.T, m *mended) {
			m.a.remove(m.slab)
			m.goes(t)
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := newMended(t)
				defer m.close()
				harm(t, m)
				out := m.here.repairFrom(m.there)
				if len(out.Restored)+len(out.PutBack) > 0 { // chunks may come into new slabs
					t.Errorf("%+v", out)
				}
				if needs := strings.Contains(strings.Join(out.Notes, ""), "is being removed"); needs != (name == "one that needs what is being removed") {
					t.Errorf("notes %q", out.Notes)
				}
			})
		})
	}
}

// TestRepairFromLeavesOutEach: no capture comes back that needs what is being removed, though one before it needs the same; nor
// one whose slab only stands on that.
func TestRepairFromLeavesOutEach(t *testing.T) {
	content := []byte(text(1, 300_000))
	alike := bytes.Clone(content)
	for i := 0; i < len(alike); i += 1500 {
		alike[i] ^= 1
	}
	alike = append(alike, 1) // so that no chunk is the same, of the member list neither
	for name, second := range map[string][]byte{"the same": content, "alike": alike} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := &mended{a: newSite(t)}
				m.b = m.a.replica()
				m.here, m.there = m.a.open(t.TempDir()), m.b.open("")
				defer m.close()
				if err := m.here.SetDeltas(t.Context(), DeltasOn, MarkOptions{}); err != nil {
					t.Fatal(err)
				}
				first := m.here.put("seedbank", string(content))
				m.slab, _ = m.a.onlySlab()
				c := m.here.put("seedbank", string(second))
				if name == "alike" && !c.captured.Deltas {
					t.Fatal("it stands on nothing")
				}
				again := m.here.put("seedbank", string(second))
				m.here.replicate(m.there)
				for _, c := range []*Capture{first, c, again} {
					m.a.flip(names.Capture(c.ID, 0), 200)
				}
				m.goes(t)
				if out := m.here.repairFrom(m.there); len(out.Restored) > 0 || len(out.Notes) != 3 {
					t.Errorf("%+v", out)
				}
			})
		})
	}
}

// A capture that lies elsewhere in the other place, and of which no table here tells what its chunks were, comes as it lies
// there, with what was amended of it here; not if it is another one.
func TestRepairFromElsewhere(t *testing.T) {
	for _, forged := range []bool{false, true} {
		a := newSite(t)
		b := a.replica()
		here, there := a.open(""), b.open("")
		gone := here.put("seedbank", text(1, 400_000)+text(2, 400_000))
		slab, _ := a.onlySlab()
		stays := here.put("seedbank", text(1, 400_000)+"stays")
		here.replicate(there)
		there.retireNow(gone.ID)
		if _, err := b.mem.Stat(t.Context(), slab); err == nil {
			t.Fatal("it was not moved there")
		}
		if forged {
			moved, err := there.Find(t.Context(), stays.ID)
			if err != nil {
				t.Fatal(err)
			}
			record := *moved.captured.IndexFile
			record.Note = "another"
			if _, err := there.ledger.WriteGeneration(t.Context(), &record, moved.captured.Generation+1); err != nil {
				t.Fatal(err)
			}
		}
		note := "amended here"
		if _, err := here.Amend(t.Context(), stays.ID, AmendOptions{Note: &note}); err != nil {
			t.Fatal(err)
		}
		tables, err := a.mem.List(t.Context(), names.Tables)
		if err != nil {
			t.Fatal(err)
		}
		for _, info := range tables {
			a.remove(info.Name)
		}
		a.flip(slab, 5000)
		out := here.repairFrom(there)
		if slices.Contains(out.Restored, stays.ID) == forged || len(out.Lost) == 0 { // the other one is in one place alone
			t.Errorf("forged %t: %+v", forged, out)
		}
		found, err := here.Find(t.Context(), stays.ID)
		if err != nil || found.Note != note {
			t.Errorf("forged %t: %+v, %v", forged, found, err)
		}
		if !forged && !bytes.Equal(here.restored(found), []byte(text(1, 400_000)+"stays")) {
			t.Error("it restores to something else")
		}
	}
}

// Whoever repairs and slept puts nothing back.
func TestRepairFromThatSlept(t *testing.T) {
	for name, one := range map[string]struct {
		harm   func(m *mended)
		folder string // at whose listing, once slabs were listed
		object func(m *mended) string
	}{
		"before a slab": {func(m *mended) { m.a.remove(m.slab) }, names.Slabs, func(m *mended) string { return m.slab }},
		"before an index file": {func(m *mended) { m.a.flip(names.Capture(m.capture.ID, 0), 200) }, names.Captures,
			func(m *mended) string { return names.Capture(m.capture.ID, 1) }},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := newMended(t)
				defer m.close()
				one.harm(m)
				w := &watchedPlace{Faulty: storagetest.NewFaulty(m.a.mem)}
				r := m.a.openOver(t, w)
				defer r.Close()
				var listed atomic.Bool
				w.at(storagetest.List, names.Slabs, nil, func() { listed.Store(true) })
				w.at(storagetest.List, one.folder, &listed, func() {
					w.asleep.Store(true)
					time.Sleep(40 * time.Minute)
					w.asleep.Store(false)
				})
				if _, err := r.Repair(t.Context(), RepairOptions{From: m.there.Repository}); !errors.Is(err, ErrOvertaken) {
					t.Errorf("%v", err)
				}
				if _, err := m.a.mem.Stat(t.Context(), one.object(m)); err == nil {
					t.Errorf("%s was put", one.object(m))
				}
			})
		})
	}
}

// An index file that was put back is taken back where somebody removes just then what it needs.
func TestRepairFromLooksAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMended(t)
		defer m.close()
		m.a.flip(names.Capture(m.capture.ID, 0), 200)
		w := &watchedPlace{Faulty: storagetest.NewFaulty(m.a.mem)}
		r := m.a.openOver(t, w)
		defer r.Close()
		w.at(storagetest.Put, names.Captures, nil, func() {
			m.goes(t)
			m.a.remove(m.slab)
		})
		if _, err := r.Repair(t.Context(), RepairOptions{From: m.there.Repository}); !errors.Is(err, ErrOvertaken) {
			t.Errorf("%v", err)
		}
		if _, err := m.a.mem.Stat(t.Context(), names.Capture(m.capture.ID, 1)); err == nil {
			t.Error("it is still there")
		}
	})
}

// What is taken from another place stays there as long as it is read.
func TestRepairFromIsWaitedFor(t *testing.T) {
	m := newMended(t)
	m.a.remove(m.slab)
	if err := m.there.Retire(t.Context(), []string{m.capture.ID}, MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	w := &watchedPlace{Faulty: storagetest.NewFaulty(m.b.mem)}
	from := m.b.openOver(t, w)
	defer from.Close()
	w.at(storagetest.ReadAt, names.Slabs, nil, func() {
		if out, err := m.there.Reclaim(t.Context(), ReclaimOptions{Grace: NoGrace}); err != nil || len(out.Waiting) != 1 || out.Slabs > 0 {
			t.Errorf("%+v, %v", out, err)
		}
	})
	out, err := m.here.Repair(t.Context(), RepairOptions{From: from})
	if err != nil || !out.Mended() || !slices.Equal(out.PutBack, []string{m.slab}) {
		t.Errorf("%+v, %v", out, err)
	}
}

// What nothing is lost without is left out of a capture last: without it, it would be another one than that of the other place,
// from which all of it may come.
func TestRepairFromIsPatient(t *testing.T) {
	a := newSite(t)
	b := a.replica()
	here, there := a.open(""), b.open("")
	dir := t.TempDir()
	for i := range 4 {
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprint(i)), seeded(byte(i), 100_000), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	now := func() time.Time { return time.Now().Add(time.Hour) } // so that times are old enough to be believed
	folder := VolumeInput{Name: "data", Source: dir, Folder: &FolderInput{Path: dir, Now: now}}
	dump := VolumeInput{Name: "dump", Open: func(context.Context) (io.ReadCloser, error) {
		return io.NopCloser(bytes.NewReader(seeded(9, 600_000))), nil
	}}
	var both []*Capture
	for _, volumes := range [][]VolumeInput{{folder, dump}, {folder}} {
		c, err := here.Capture(t.Context(), CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: volumes})
		if err != nil {
			t.Fatal(err)
		}
		both = append(both, c)
	}
	slab, _ := a.onlySlab()
	here.replicate(there)
	there.retireNow(both[0].ID)
	tables, err := a.mem.List(t.Context(), names.Tables)
	if err != nil {
		t.Fatal(err)
	}
	for _, info := range tables {
		a.remove(info.Name)
	}
	a.flip(slab, 20) // its header: nothing of it can be read
	out := here.repairFrom(there)
	if !slices.Equal(out.Restored, []string{both[1].ID}) {
		t.Errorf("%+v", out)
	}
	found, err := here.Find(t.Context(), both[1].ID)
	if err != nil || found.captured.Volumes[0].States == nil || found.captured.Hash() != both[1].captured.Hash() {
		t.Fatalf("%+v, %v", found, err)
	}
	here.restored(found)
}
