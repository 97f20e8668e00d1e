package store_test

import (
	"bytes"
	"errors"
	"slices"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
)

// A table that says less of a slab than it holds, put beside the true one by somebody
// with a key, must not have reclaiming remove or spoil what captures need.
func TestReclaimByLyingTable(t *testing.T) {
	for name, change := range map[string]func(*format.SlabRecord){
		"no frames": func(r *format.SlabRecord) { r.Frames = nil },
		"the first frame only, and of one chunk": func(r *format.SlabRecord) {
			f := r.Frames[0]
			f.Chunks, f.IDs = []uint32{1}, make([]byte, len(crypt.Identity{}))
			r.Frames = []format.TableFrame{f}
		},
		"frames in the other order": func(r *format.SlabRecord) {
			for i := range r.Frames {
				r.Frames[i].Padding = false
			}
			for i, j := 0, len(r.Frames)-1; i < j; i, j = i+1, j-1 {
				r.Frames[i], r.Frames[j] = r.Frames[j], r.Frames[i]
			}
		},
		"all padding": func(r *format.SlabRecord) {
			for i := range r.Frames {
				r.Frames[i].Padding = true
			}
		},
		"one chunk more in front": func(r *format.SlabRecord) {
			f := format.TableFrame{Kind: format.Zstd, Sealed: 1 << 20, Chunks: []uint32{1 << 20}, IDs: make([]byte, 16)}
			r.Frames = append([]format.TableFrame{f}, r.Frames...)
		},
	} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t)
			f.harmed = true
			content := random(1, 300_000)
			f.capture(content)
			f.capture(random(2, 300_000))
			g := tamperWith(t, f.mem, f.key)
			var lies [][]byte
			for _, records := range g.tableRecords() {
				for _, rec := range records {
					change(rec)
					lies = append(lies, rec.Encode())
				}
			}
			g.table(lies...)
			before := len(under(t, f.mem, "slabs"))
			for range 3 {
				out, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace})
				t.Logf("reclaim: %+v, %v", out, err)
			}
			t.Logf("%d slabs before, %d after", before, len(under(t, f.mem, "slabs")))
			report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
			if err != nil {
				t.Fatal(err)
			}
			for _, d := range report.Damage {
				t.Logf("damage %s: %s; captures %v", d.Object, d.Problem, d.Captures)
			}
			if len(under(t, f.mem, "slabs")) < before {
				t.Error("slabs that captures need were removed")
			}
			for _, c := range report.Damage {
				if len(c.Captures) > 0 {
					t.Errorf("captures are harmed: %v", c.Captures)
				}
			}
		})
	}
}

// The same where captures that are left need the later chunks only.
func TestReclaimByShortTable(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	first := f.capture(random(1, 3_000_000))
	f.capture(random(1, 3_000_000)[1_500_000:])
	g := tamperWith(t, f.mem, f.key)
	var lies [][]byte
	for _, records := range g.tableRecords() {
		for _, rec := range records {
			rec.Frames = rec.Frames[:1]
			rec.Frames[0].Chunks, rec.Frames[0].IDs = rec.Frames[0].Chunks[:1], rec.Frames[0].IDs[:16]
			rec.Frames[0].Padding = false
			lies = append(lies, rec.Encode())
		}
	}
	g.table(lies...)
	f.retire(first)
	out, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace})
	t.Logf("reclaim: %+v, %v", out, err)
	report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range report.Damage {
		if len(d.Captures) > 0 {
			t.Errorf("damage %s: %s; captures %v", d.Object, d.Problem, d.Captures)
		}
	}
}

// The same where all that is needed is among what the table tells of, and the slab is moved.
func TestMoveByShortTable(t *testing.T) {
	for _, drop := range []int{1, 2} {
		f := newFixture(t)
		f.harmed = true
		first := f.capture(random(1, 6_000_000))
		f.capture(random(1, 6_000_000)[:1_000_000])
		f.capture(random(3, 3_000_000))
		g := tamperWith(t, f.mem, f.key)
		var lies [][]byte
		for _, records := range g.tableRecords() {
			for _, rec := range records {
				if len(rec.Frames) > 4 {
					rec.Frames = rec.Frames[:len(rec.Frames)-drop]
					lies = append(lies, rec.Encode())
				}
			}
		}
		g.table(lies...)
		f.retire(first)
		for range 2 {
			out, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01})
			t.Logf("reclaim: %+v, %v", out, err)
		}
		report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range report.Damage {
			if len(d.Captures) > 0 {
				t.Errorf("damage %s: %s; captures %v", d.Object, d.Problem, d.Captures)
			}
		}
	}
}

// Member lists are read by what tables say of their chunks: where a table says that one is another, comparing and finding
// take none for what it is not, and tell the truth or that something is damaged.
func TestListsByLyingTable(t *testing.T) {
	names := []string{"lot-0", "lot-1"}
	for n, more := 0, true; more; n++ {
		f := newFixture(t)
		f.harmed = true
		var captures []*store.Capture
		for _, name := range names {
			captures = append(captures, f.capture(tarOf(t, file{name: name, content: random(1, 5000)})))
		}
		g := tamperWith(t, f.mem, f.key)
		var lies [][2]chunkAt // a chunk, and what is said to be there
		all := g.allChunks()
		for _, a := range all {
			for _, b := range all {
				if a.slab != b.slab && len(a.content) == len(b.content) && bytes.Contains(a.content, []byte("lot-")) && bytes.Contains(b.content, []byte("lot-")) {
					lies = append(lies, [2]chunkAt{a, b})
				}
			}
		}
		if more = n < 2*len(lies); !more {
			if n == 0 {
				t.Error("no two lists are of one length")
			}
			break
		}
		at, as := lies[n/2][0], lies[n/2][1]
		if n%2 == 1 { // the true table is read first
			g.retell(func(rec *format.SlabRecord) bool { return rec.Slab == as.slab })
		}
		g.lie(at.slab, at.frame, at.chunk, as.content)
		f.reopen()
		var differ []string
		var err error
		for d, failed := range f.Compare(t.Context(), captures[0], captures[1], store.CompareOptions{}) {
			if err = failed; err == nil {
				differ = append(differ, d.Path)
			}
		}
		if slices.Sort(differ); !errors.Is(err, store.ErrDamaged) && (err != nil || !slices.Equal(differ, names)) {
			t.Errorf("lie %d: %q differ, %v", n, differ, err)
		}
		found, err := f.FindMembers(t.Context(), captures, nil, store.FindOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range found.Members {
			for _, v := range m.Versions {
				for _, c := range v.Captures {
					if c.ID != captures[slices.Index(names, m.Path)].ID {
						t.Errorf("lie %d: %s was found in %s", n, m.Path, c.ID)
					}
				}
			}
		}
		if len(found.Members)+len(found.Unread) < len(captures) {
			t.Errorf("lie %d: %d members were found, and %d volumes can't be read", n, len(found.Members), len(found.Unread))
		}
	}
}

// TestBasesByLyingTable: a table that says of a slab that it stands on other slabs than it does, or on none, put beside the true
// one by somebody with a key, must not have reclaiming remove what it stands on. Which of the two is read first is for
// their names to say: so it is tried several times.
func TestBasesByLyingTable(t *testing.T) {
	for name, change := range map[string]func(*format.TableFrame, format.SlabID){
		"no bases": func(f *format.TableFrame, _ format.SlabID) {
			f.Kind, f.Standing = format.Zstd, format.Standing{}
		},
		"bases in the slab itself": func(f *format.TableFrame, own format.SlabID) {
			for i := range f.Bases {
				f.Bases[i] = format.Base{Slab: own, Count: 1}
			}
		},
		"other chunks of the bases": func(f *format.TableFrame, _ format.SlabID) {
			for i := range f.Bases {
				f.Bases[i].First, f.Bases[i].Count = 0, 1
			}
		},
		"bases that there are not": func(f *format.TableFrame, _ format.SlabID) {
			for i := range f.Bases {
				f.Bases[i] = format.Base{Slab: format.SlabID{1, 2, 3}, Count: 1}
			}
		},
	} {
		for range 3 {
			f, captures, streams := chain(t, 3)
			f.harmed = true
			g := tamperWith(t, f.mem, f.key)
			var lies [][]byte
			for _, records := range g.tableRecords() {
				for _, rec := range records {
					for i := range rec.Frames {
						if rec.Frames[i].Kind == format.Delta {
							change(&rec.Frames[i], rec.Slab)
						}
					}
					lies = append(lies, rec.Encode())
				}
			}
			g.table(lies...)
			f.retire(captures[:2]...)
			f.reopen()
			for _, o := range []store.ReclaimOptions{{Grace: store.NoGrace, MinDead: 1}, {Grace: store.NoGrace}, {Grace: store.NoGrace, MinDead: 0.01}} {
				if out, err := f.Reclaim(t.Context(), o); err != nil && !errors.Is(err, store.ErrDamaged) {
					t.Errorf("%s: %+v, %v", name, out, err)
				}
			}
			f.reopen()
			report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
			if err != nil {
				t.Fatal(err)
			}
			for _, d := range report.Damage {
				if len(d.Captures) > 0 {
					t.Errorf("%s: %s: %s", name, d.Object, d.Problem)
				}
			}
			if !t.Failed() {
				f.wantStream(captures[2], streams[2])
			}
			f.Close()
		}
	}
}

// TestBasesByTwoLyingTables: where no table says what a slab stands on, but two say different things, the slab is asked itself.
func TestBasesByTwoLyingTables(t *testing.T) {
	f, captures, streams := chain(t, 2)
	f.harmed = true
	g := tamperWith(t, f.mem, f.key)
	own, none := [][]byte{}, [][]byte{}
	for name, records := range g.tableRecords() {
		g.remove(name)
		for _, rec := range records {
			for i := range rec.Frames {
				for b := range rec.Frames[i].Bases {
					rec.Frames[i].Bases[b] = format.Base{Slab: rec.Slab, Count: 1}
				}
			}
			own = append(own, rec.Encode())
			for i := range rec.Frames {
				rec.Frames[i].Kind, rec.Frames[i].Standing = format.Zstd, format.Standing{}
			}
			none = append(none, rec.Encode())
		}
	}
	g.table(own...)
	g.table(none...)
	f.retire(captures[0])
	f.reopen()
	if out, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil && !errors.Is(err, store.ErrDamaged) {
		t.Errorf("%+v, %v", out, err)
	}
	f.reopen()
	f.wantStream(captures[1], streams[1])
}
