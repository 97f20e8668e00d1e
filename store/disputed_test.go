package store_test

import (
	"archive/tar"
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
)

// disputedCase is a repository in which a chunk is not what tables say.
type disputedCase struct {
	*fixture
	streams map[string][]byte // by capture
}

// heals tests a repository in which bytes are wrong: nothing gives them out in silence,
// verifying names what restoring fails of, and after repairing, capturing the same again
// and repairing once more everything is as it was. It gives how many captures were wrong.
func (d *disputedCase) heals(t *testing.T) int {
	t.Helper()
	d.harmed = true
	report, err := d.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil {
		t.Fatal(err)
	}
	if report.OK {
		t.Error("verifying in full found nothing")
	}
	wrong := d.nothingWrong(t, report)
	out, err := d.Repair(t.Context(), store.RepairOptions{})
	if err != nil {
		t.Fatal(err)
	}
	lost := make(map[string]bool)
	for _, l := range out.Lost {
		lost[l.Capture] = true
	}
	if !maps.Equal(lost, wrong) {
		t.Errorf("repairing said that captures lack something: %v; wrong are %v", lost, wrong)
	}
	if report, err = d.Verify(t.Context(), store.VerifyOptions{Full: true}); err != nil || report.OK != (len(wrong) == 0) {
		t.Fatalf("verifying after repairing: %+v, %v", report, err)
	}
	d.nothingWrong(t, report)
	second := secondOf(t, d.fixture)
	if err := checkSecondTables(second); err != nil || second.former == 0 {
		t.Errorf("the tables after repairing say %d former identities: %v", second.former, err)
	}
	for _, id := range slices.Sorted(maps.Keys(d.streams)) {
		c := d.capture(d.streams[id])
		if !bytes.Equal(d.restore(c), d.streams[id]) {
			t.Errorf("captured again, %s is wrong", id)
		}
		d.streams[c.ID] = d.streams[id]
	}
	if out, err = d.Repair(t.Context(), store.RepairOptions{}); err != nil || !out.Mended() {
		t.Fatalf("repairing once more: %+v, %v", out, err)
	}
	if len(out.Healed) < len(wrong) {
		t.Errorf("healed %v of %v", out.Healed, wrong)
	}
	d.whole(t)
	if _, err := d.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil {
		t.Errorf("reclaiming: %v", err)
	}
	d.whole(t)
	return len(wrong)
}

// whole tests that everything is as it was.
func (d *disputedCase) whole(t *testing.T) {
	t.Helper()
	d.verify(t.Context())
	report, err := d.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil {
		t.Fatal(err)
	}
	if wrong := d.nothingWrong(t, report); len(wrong) > 0 {
		t.Errorf("wrong: %v", wrong)
	}
	d.counts(t)
}

// counts tests that what is about no content is not in the way.
func (d *disputedCase) counts(t *testing.T) {
	t.Helper()
	if _, err := d.Usage(t.Context()); err != nil {
		t.Errorf("usage: %v", err)
	}
}

// nothingWrong reads all of every capture in every way. It gives the captures that
// don't restore: those that the report says are harmed.
func (d *disputedCase) nothingWrong(t *testing.T, report *store.Report) map[string]bool {
	t.Helper()
	wrong := make(map[string]bool)
	captures, err := d.Captures(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range captures {
		v, want := &c.Volumes[0], d.streams[c.ID]
		var out bytes.Buffer
		err := d.Restore(t.Context(), v, &out, store.RestoreOptions{})
		if err == nil && !bytes.Equal(out.Bytes(), want) {
			t.Errorf("%s restored wrong, without an error", c.ID)
		}
		harmed := len(membersHarmed(report, c.ID)) > 0 // a list of captures seen harms none
		if harmed != (err != nil) {
			t.Errorf("%s: harmed is %v, and restoring gave %v", c.ID, harmed, err)
		}
		members := membersHarmed(report, c.ID)
		for _, path := range members {
			if path != "" && (err == nil || !strings.Contains(err.Error(), fmt.Sprintf("%q", path))) {
				t.Errorf("%s: restoring gave %v, which does not name %s", c.ID, err, path)
			}
		}
		if err != nil {
			wrong[c.ID] = true
		}
		d.eachMember(t, c, want, members)
	}
	return wrong
}

func membersHarmed(report *store.Report, capture string) (paths []string) {
	for _, d := range report.Damage {
		for _, m := range d.Members {
			if m.Capture == capture {
				paths = append(paths, m.Path)
			}
		}
	}
	return paths
}

// eachMember reads each member alone. Only those that are said to be harmed fail.
func (d *disputedCase) eachMember(t *testing.T, c *store.Capture, stream []byte, harmed []string) {
	t.Helper()
	v := &c.Volumes[0]
	all := contentsOf(t, stream)
	for path, want := range all {
		if len(all) > 20 && !strings.HasSuffix(path, "7") {
			continue // they are alike
		}
		ways := map[string]func() ([]byte, error){
			"opened": func() ([]byte, error) {
				_, content, err := d.OpenMember(t.Context(), v, path)
				if err != nil {
					return nil, err
				}
				defer content.Close()
				return io.ReadAll(content)
			},
			"listed": func() ([]byte, error) {
				l, err := d.OpenVolume(t.Context(), v)
				if err != nil {
					return nil, err
				}
				content, err := l.Open(t.Context(), path)
				if err != nil {
					return nil, err
				}
				defer content.Close()
				b := make([]byte, content.Size())
				if _, err := content.ReadAt(b, 0); err != nil {
					return nil, err
				}
				return io.ReadAll(content)
			},
			"chosen": func() ([]byte, error) {
				var out bytes.Buffer
				_, err := d.RestoreMembers(t.Context(), v, func(p string) bool { return p == store.CleanPath(path) }, &out, store.RestoreOptions{})
				if err != nil {
					return nil, err
				}
				return contentsOf(t, out.Bytes())[path], nil
			},
		}
		for way, read := range ways {
			got, err := read()
			if err == nil && !bytes.Equal(got, want) {
				t.Errorf("%s: %s %s is wrong, without an error", c.ID, way, path)
			}
			expected := slices.Contains(harmed, path) || slices.Contains(harmed, "")
			if expected != (err != nil) {
				t.Errorf("%s: %s %s gave %v; harmed are %q", c.ID, way, path, err, harmed)
			}
			if err != nil && (!errors.Is(err, store.ErrDamaged) || !slices.Contains(harmed, "") && (!strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "slabs/"))) {
				t.Errorf("%s: %s %s gave %v", c.ID, way, path, err)
			}
		}
	}
}

// bytesCase captures two streams. Then break breaks the repository, and two more are
// captured: the first stream and the one given.
func bytesCase(t *testing.T, last []byte, breakIt func(*fixture, *forge)) *disputedCase {
	d := &disputedCase{fixture: newFixture(t), streams: make(map[string][]byte)}
	take := func(in []byte) { d.streams[d.capture(in).ID] = in }
	first := tarOf(t, lots(0)...)
	take(first)
	take(tarOf(t, append(lots(0), file{name: "late", content: random(40, 700)})...))
	breakIt(d.fixture, tamperWith(t, d.mem, d.key))
	d.reopen()
	take(first)
	take(last)
	return d
}

// lots gives a few files, of one chunk each and of several.
func lots(changed byte) []file {
	return []file{
		{name: "first", content: random(10+changed, 900)},
		{name: "large", content: random(11, 90_000)},
		{name: "last", content: []byte("the end of the shelf")},
	}
}

// TestFlippedBeforeCompressing flips a bit of each chunk in turn, so that frames hold
// what no table says.
func TestFlippedBeforeCompressing(t *testing.T) {
	eachChunkOf(t, tarOf(t, lots(1)...), true, (*forge).flip)
}

// TestFalseIdentity has a table say of each chunk in turn that it is another one, and then
// captures that other one: the frames are right for who wrote them.
func TestFalseIdentity(t *testing.T) {
	oneByOne(t)
	other := lots(0)
	other[0].content = random(77, 900)
	other[2].content = random(77, 20)
	last := tarOf(t, other...)
	t.Run("its table", func(t *testing.T) {
		eachChunkOf(t, last, true, func(f *forge, at chunkAt) { f.lie(at.slab, at.frame, at.chunk, random(77, len(at.content))) })
	})
	// Of tables that contradict each other none is relied on.
	t.Run("another table", func(t *testing.T) {
		eachChunkOf(t, last, false, func(f *forge, at chunkAt) { f.rival(at.slab, at.frame, at.chunk, random(77, len(at.content))) })
	})
}

// everyFew is 1, or n where tests are to be short.
func everyFew(n int) int {
	if testing.Short() {
		return n
	}
	return 1
}

// chunkAt is a chunk, and where it lies.
type chunkAt struct {
	slab         format.SlabID
	frame, chunk int
	content      []byte
}

// eachChunkOf breaks each chunk in turn that bytesCase has then. How many there are depends
// on the repository's key. harms tells whether captures are harmed by some.
func eachChunkOf(t *testing.T, last []byte, harms bool, breakIt func(*forge, chunkAt)) {
	harmed := 0
	for n, more := 0, true; more; n += everyFew(4) {
		t.Run(fmt.Sprintf("chunk %d", n), func(t *testing.T) {
			d := bytesCase(t, last, func(f *fixture, tamper *forge) {
				all := tamper.allChunks()
				if more = n < len(all); more {
					breakIt(tamper, all[n])
				}
			})
			if more {
				harmed += d.heals(t)
			}
		})
		if !more && (n < 8 || harms != (harmed > 0)) {
			t.Errorf("%d chunks, that harmed %d captures", n, harmed)
		}
	}
}

// allChunks gives all chunks, those of the slab with most of them first.
func (f *forge) allChunks() []chunkAt {
	f.t.Helper()
	var slabs [][]chunkAt
	for _, id := range f.slabIDs() {
		var all []chunkAt
		for frame, chunks := range f.chunksOf(id) {
			for chunk, content := range chunks {
				all = append(all, chunkAt{id, frame, chunk, content})
			}
		}
		slabs = append(slabs, all)
	}
	slices.SortFunc(slabs, func(a, b []chunkAt) int { return len(b) - len(a) })
	return slices.Concat(slabs...)
}

// contentsOf gives the contents of the members of a tar stream.
func contentsOf(t testing.TB, stream []byte) map[string][]byte {
	t.Helper()
	all := make(map[string][]byte)
	for r := tar.NewReader(bytes.NewReader(stream)); ; {
		h, err := r.Next()
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		if h.Typeflag != tar.TypeReg {
			continue
		}
		if all[h.Name], err = io.ReadAll(r); err != nil {
			t.Fatal(err)
		}
	}
}
