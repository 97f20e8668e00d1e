package store_test

import (
	"archive/tar"
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// beds gives a folder of so many files, in folders of a hundred.
func beds(t testing.TB, n int) string {
	t.Helper()
	dir := t.TempDir()
	for i := range n {
		writeFile(t, filepath.Join(dir, fmt.Sprintf("bed-%03d/plant-%02d", i/100, i%100)), random(byte(i), i%50))
	}
	return dir
}

// ordered gives the capture anew, which must have an order that finds all members.
func (f *fixture) ordered(c *store.Capture) *store.Capture {
	f.t.Helper()
	c = mustFind(f, c.ID)
	if !store.HasOrder(&c.Volumes[0]) {
		f.t.Error("the capture has no order")
	}
	f.checkFS(c, f.volumeFS(c))
	return c
}

// TestOrderOfAFolder: what is captured of a folder has an order, also where members are taken over, come, go
// and change.
func TestOrderOfAFolder(t *testing.T) {
	f := newFixture(t)
	dir := beds(t, 1000)
	first := f.ordered(f.captureFolder(dir, false))
	same := f.ordered(f.captureFolder(dir, false))
	// The project's own figure (design page): at most 16 KiB for an unchanged capture.
	if same.Added > 16<<10 {
		t.Errorf("unchanged it adds %d bytes", same.Added)
	}
	if a, b := store.OrderOf(&first.Volumes[0]), store.OrderOf(&same.Volumes[0]); a.Digest != b.Digest {
		t.Error("an unchanged folder has another order")
	}
	writeFile(t, dir+"/bed-007/plant-07b", []byte("new"))
	writeFile(t, dir+"/bed-002/plant-40", random(1, 200))
	if err := os.RemoveAll(dir + "/bed-003"); err != nil {
		t.Fatal(err)
	}
	changed := f.ordered(f.captureFolder(dir, false))
	if changed.Added > 64<<10 {
		t.Errorf("a small change adds %d bytes", changed.Added)
	}
	if again := f.captureFolder(dir, true); store.OrderOf(&again.Volumes[0]).Digest != store.OrderOf(&changed.Volumes[0]).Digest {
		t.Error("read anew, the same folder has another order")
	}
}

// TestNoOrder: where there is none, the member list serves.
func TestNoOrder(t *testing.T) {
	global := append(paxGlobal(t, "comment", "beans"), shelves(t, 5000, false)...)
	for name, in := range map[string][]byte{"few members": shelves(t, 100, false), "a global header": global, "a path too long": longPath(t)} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t)
			c := f.capture(in)
			if store.HasOrder(&c.Volumes[0]) {
				t.Error("it has an order")
			}
			f.checkFS(c, f.volumeFS(c))
		})
	}
}

// TestOrderStays: what moves, heals, leaves out and amends captures keeps their orders right.
func TestOrderStays(t *testing.T) {
	f := newFixture(t)
	in := shelves(t, 3000, true)
	other := f.capture(tarOf(t, file{name: "large", content: random(3, 400_000)}))
	beside := tarOf(t, file{name: "large too", content: random(4, 400_000)})
	c := f.capture(append(beside[:len(beside)-1024], in...))
	next := f.capture(in)
	before := store.OrderOf(&next.Volumes[0])
	f.amend(next.ID, store.AmendOptions{Note: text("amended")})
	f.ordered(next)
	f.retire(other, c)
	out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
	if out.Moved == 0 {
		t.Errorf("nothing was moved: %+v", out)
	}
	next = f.ordered(next)
	if after := store.OrderOf(&next.Volumes[0]); after.Digest != before.Digest || fmt.Sprint(after.Runs) == fmt.Sprint(before.Runs) {
		t.Errorf("the order was not moved: %v, %v", before, after)
	}
}

// harmOrder has the frame of the order's root hold something else.
func (f *fixture) harmOrder(c *store.Capture) {
	f.t.Helper()
	f.harmed = true
	order := store.OrderOf(&c.Volumes[0])
	run := order.Runs[len(order.Runs)-1]
	f.tamper(func(tamper *forge) {
		chunk := int(run.First + run.Count - 1)
		for frame, chunks := range tamper.chunksOf(run.Slab) {
			if chunk < len(chunks) {
				tamper.flip(chunkAt{run.Slab, frame, chunk, chunks[chunk]})
				return
			}
			chunk -= len(chunks)
		}
	})
}

func (f *fixture) tamper(change func(*forge)) {
	f.t.Helper()
	change(tamperWith(f.t, f.mem, f.key))
	f.reopen()
}

// TestHarmedOrder: a harmed order harms nothing, is named, and goes when all is repaired.
func TestHarmedOrder(t *testing.T) {
	f := newFixture(t)
	c := f.capture(shelves(t, 3000, false))
	f.harmOrder(c)
	c = mustFind(f, c.ID)
	f.checkFS(c, f.volumeFS(c))
	report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil || report.OK {
		t.Errorf("verify: %+v, %v", report, err)
	}
	for _, d := range report.Damage {
		if len(d.Captures) > 0 || len(d.Members) > 0 {
			t.Errorf("harm to a capture: %+v", d)
		}
	}
	if out, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil || len(out.Lost) > 0 {
		t.Errorf("repair: %+v, %v", out, err)
	}
	c = mustFind(f, c.ID)
	f.checkFS(c, f.volumeFS(c))
	f.verify(t.Context())
	// What is captured then has an order again.
	f.ordered(f.capture(shelves(t, 3000, false)))
	f.verify(t.Context())
}

// TestWrongOrder: an order that says something else than the list is named, and left out by repairing.
func TestWrongOrder(t *testing.T) {
	for name, change := range map[string]func(*format.OrderNode){ // those marked show only to who compares all
		"another path":    func(n *format.OrderNode) { n.Spans[1].Path = append(n.Spans[1].Path, '!') },
		"another place":   func(n *format.OrderNode) { n.Spans[1].ListGap++ },
		"another chunk *": func(n *format.OrderNode) { n.Spans[1].ChunksGap++ },
		"another padding": func(n *format.OrderNode) { n.Spans[0].Padding++ },
		"fewer members":   func(n *format.OrderNode) { n.Spans[1].Members-- },
		"a span less *":   func(n *format.OrderNode) { n.Spans = n.Spans[:1] },
	} {
		t.Run(name, func(t *testing.T) {
			checkWrongOrder(t, !strings.HasSuffix(name, "*"), "", func(root *format.OrderNode) []*format.OrderNode {
				change(root)
				return []*format.OrderNode{root}
			})
		})
	}
}

// TestWrongNodes: an order whose nodes do not make a tree is named, too.
func TestWrongNodes(t *testing.T) {
	leaf := func(spans ...format.OrderSpan) *format.OrderNode { return &format.OrderNode{Spans: spans} }
	for name, c := range map[string]struct {
		says   string
		change func(*format.OrderNode) []*format.OrderNode
	}{
		"one that none names": {"none names", func(root *format.OrderNode) []*format.OrderNode {
			return []*format.OrderNode{leaf(root.Spans[0]), root}
		}},
		// found before it is read again: nodes that each name the next twice would be read 65,536 times
		"one that is named twice": {"do not ascend", func(root *format.OrderNode) []*format.OrderNode {
			a, b := root.Spans[0].Path, root.Spans[1].Path
			inner := func(level uint32, below ...format.OrderBelow) *format.OrderNode {
				return &format.OrderNode{Level: level, Below: below}
			}
			return []*format.OrderNode{
				leaf(root.Spans[0]), leaf(root.Spans[1:]...),
				inner(1, format.OrderBelow{Path: a, Back: 2}, format.OrderBelow{Path: b, Back: 1}), inner(1, format.OrderBelow{Path: b, Back: 2}),
				inner(2, format.OrderBelow{Path: a, Back: 2}, format.OrderBelow{Path: b, Back: 1}),
			}
		}},
	} {
		t.Run(name, func(t *testing.T) { checkWrongOrder(t, false, c.says, c.change) })
	}
}

// checkWrongOrder has a capture with an order of other nodes, whose root is the last.
func checkWrongOrder(t *testing.T, finds bool, says string, change func(root *format.OrderNode) []*format.OrderNode) {
	t.Helper()
	f := newFixture(t)
	made := f.capture(shelves(t, 140, false))
	f.harmed = true
	f.tamper(func(tamper *forge) { tamper.exchangeOrder(made, change(tamper.orderRoot(made))...) })
	c := mustFind(f, made.ID)
	if finds {
		f.checkFS(c, f.volumeFS(c))
	}
	report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil || len(report.Damage) != 1 || len(report.Damage[0].Captures) != 0 || !strings.Contains(report.Damage[0].Problem, says) {
		t.Errorf("verify: %+v, %v", report, err)
	}
	if out, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil || len(out.Lost) > 0 || len(out.Healed) != 1 {
		t.Errorf("repair: %+v, %v", out, err)
	}
	if c = mustFind(f, c.ID); store.HasOrder(&c.Volumes[0]) {
		t.Error("the wrong order is still there")
	}
	f.checkFS(c, f.volumeFS(c))
	f.verify(t.Context())
}

// orderRoot gives the root of a capture's order.
func (f *forge) orderRoot(c *store.Capture) *format.OrderNode {
	f.t.Helper()
	order := store.OrderOf(&c.Volumes[0])
	run := order.Runs[len(order.Runs)-1]
	var all [][]byte
	for _, chunks := range f.chunksOf(run.Slab) {
		all = append(all, chunks...)
	}
	n, err := format.DecodeOrderNode(all[run.First+run.Count-1])
	if err != nil {
		f.t.Fatal(err)
	}
	return n
}

// exchangeOrder puts an order of those nodes in the place of a capture's.
func (f *forge) exchangeOrder(c *store.Capture, nodes ...*format.OrderNode) {
	f.t.Helper()
	record := *store.RecordOf(c)
	record.Volumes = slices.Clone(record.Volumes)
	var chunks [][]byte
	for _, n := range nodes {
		chunks = append(chunks, format.EncodeOrderNode(n))
	}
	order := f.recipe(f.slab(chunks...), 0, chunks...)
	record.Volumes[0].Order = &order
	f.tables()
	f.remove(names.Capture(c.ID, 0))
	f.indexFile(c.ID, format.EncodeIndexFile(&record))
}

// paxGlobal gives a global header.
func paxGlobal(t testing.TB, key, value string) []byte {
	t.Helper()
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	err := w.WriteHeader(&tar.Header{Typeflag: tar.TypeXGlobalHeader, PAXRecords: map[string]string{key: value}})
	if err := errors.Join(err, w.Flush()); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// longPath gives a stream of many members, one of which has a path that no node takes.
func longPath(t testing.TB) []byte {
	t.Helper()
	first := tarOf(t, file{name: strings.Repeat(strings.Repeat("long", 50)+"/", 45) + "end"})
	return append(first[:len(first)-1024], shelves(t, 300, false)...)
}

// TestSecondReaderOfOrders: the golden repository has orders of several levels, of lists that are in the
// order of paths and of others. That they say what the lists say, TestSecondReader finds.
func TestSecondReaderOfOrders(t *testing.T) {
	dir := "../testdata/format1-orders"
	r, err := openSecond(os.DirFS(dir+"/repository"), "key-file", secondGoldenFile(t, dir, "key"), zstdPackage(t))
	if err != nil {
		t.Fatal(err)
	}
	x, _, err := r.index("captures/" + wantedSecond(t, dir)[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	orders := 0
	for _, v := range x.Volumes {
		if v.Order != nil && v.Order.Chunks > 1 {
			orders++
		}
	}
	if orders < 2 {
		t.Errorf("%d orders of several nodes", orders)
	}
}
