package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/volume"
)

// many gives files of which every second one changes.
func manyLots(version byte) (files []file) {
	for i := range 120 {
		files = append(files, file{name: fmt.Sprintf("lot%03d", i), content: fmt.Appendf(nil, "lot %d, version %d", i, int(version)*(i%2))})
	}
	return files
}

// TestDisputedLists flips a bit of each chunk that lists members or runs, of captures
// whose recipes are lists of runs themselves.
func TestDisputedLists(t *testing.T) {
	oneByOne(t)
	files := make(map[string]bool)
	for _, f := range slices.Concat(manyLots(0), manyLots(1)) {
		files[string(f.content)] = true
	}
	n, healed := 0, 0
	for more := true; more; n += everyFew(7) {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			d := &disputedCase{fixture: newFixture(t), streams: make(map[string][]byte)}
			for version := range byte(2) {
				in := tarOf(t, manyLots(version)...)
				d.streams[d.capture(in).ID] = in
			}
			tamper := tamperWith(t, d.mem, d.key)
			lists := slices.DeleteFunc(tamper.allChunks(), func(c chunkAt) bool { return files[string(c.content)] })
			if more = n/2 < len(lists); !more {
				return
			}
			// A list whose first byte is wrong can't be decoded; in the middle it can.
			tamper.flipByte(lists[n/2], n%2*len(lists[n/2].content)/2)
			d.reopen()
			in := tarOf(t, manyLots(1)...)
			d.streams[d.capture(in).ID] = in
			healed += d.heals(t)
		})
	}
	if n < 4 || healed == 0 {
		t.Errorf("%d chunks, that harmed %d captures", n, healed)
	}
}

// TestUnproved takes all tables away, and a frame. What is left can be read, but nothing
// shows that it is what was captured.
func TestUnproved(t *testing.T) {
	f := newFixture(t)
	in := tarOf(t, lots(0)...)
	c := f.capture(in)
	tables, err := f.mem.List(t.Context(), names.Tables)
	if err != nil {
		t.Fatal(err)
	}
	for _, info := range tables {
		tamperWith(t, f.mem, f.key).remove(info.Name)
	}
	f.reopen()
	read := func(v *store.Volume, path string) ([]byte, error) {
		var out bytes.Buffer
		n, err := f.RestoreMembers(t.Context(), v, func(p string) bool { return p == path }, &out, store.RestoreOptions{})
		if n != 1 {
			t.Errorf("%d members, %v", n, err)
		}
		return contentsOf(t, out.Bytes())[path], err
	}
	// Without tables all of the volume is read.
	if got, err := read(&c.Volumes[0], "last"); err != nil || string(got) != "the end of the shelf" {
		t.Errorf("without tables: %q, %v", got, err)
	}
	f.harmed = true
	tamper := tamperWith(t, f.mem, f.key)
	at := tamper.allChunks()[1] // of the large file
	tamper.flip(at)
	f.reopen()
	got, err := read(&c.Volumes[0], "last")
	if !errors.Is(err, store.ErrUnproved) || !errors.Is(err, store.ErrDamaged) || string(got) != "the end of the shelf" {
		t.Errorf("chosen: %q, %v", got, err)
	}
	_, content, err := f.OpenMember(t.Context(), &c.Volumes[0], "last")
	if err != nil {
		t.Fatal(err)
	}
	defer content.Close()
	if got, err := io.ReadAll(content); !errors.Is(err, store.ErrUnproved) || string(got) != "the end of the shelf" {
		t.Errorf("opened: %q, %v", got, err)
	}
	out, err := f.Repair(t.Context(), store.RepairOptions{})
	if err != nil || len(out.Lost) != 1 || out.Lost[0].Capture != c.ID {
		t.Errorf("repairing gave %+v, %v", out, err)
	}
}

// TestDisputedFolder captures a folder whose frames are wrong again, without reading, and
// then with: it is healed, too.
func TestDisputedFolder(t *testing.T) {
	dir := t.TempDir()
	for _, f := range lots(0) {
		write(t, filepath.Join(dir, f.name), f.content)
	}
	var want bytes.Buffer
	if _, err := volume.WriteTar(t.Context(), &want, dir, volume.ReadOptions{}); err != nil {
		t.Fatal(err)
	}
	d := &disputedCase{fixture: newFixture(t), streams: make(map[string][]byte)}
	d.harmed = true
	take := func(reread bool) { d.streams[d.captureFolder(dir, reread).ID] = want.Bytes() }
	take(false)
	tamper := tamperWith(t, d.mem, d.key)
	for _, at := range tamper.allChunks() {
		if string(at.content) == "the end of the shelf" {
			tamper.flip(at)
		}
	}
	d.reopen()
	take(false)
	take(true) // before anybody knows
	report, err := d.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil {
		t.Fatal(err)
	}
	wrong := d.nothingWrong(t, report)
	if len(wrong) != 3 {
		t.Errorf("wrong are %v", wrong)
	}
	out, err := d.Repair(t.Context(), store.RepairOptions{})
	if err != nil || len(out.Lost) != 3 || out.Lost[0].Path != "./last" {
		t.Fatalf("repairing gave %+v, %v", out, err)
	}
	take(true)
	if out, err = d.Repair(t.Context(), store.RepairOptions{}); err != nil || !out.Mended() || len(out.Healed) != 3 {
		t.Fatalf("repairing gave %+v, %v", out, err)
	}
	take(false)
	d.whole(t)
}

// TestUnexplained has two frames wrong, and tables that say what one of them was: the digest of
// their volume fits nothing that is known, so that all of it is lost.
func TestUnexplained(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	in := tarOf(t, lots(0)...)
	c := f.capture(in)
	rest := f.capture(tarOf(t, file{name: "bean", content: []byte("bean")}))
	tamper := tamperWith(t, f.mem, f.key)
	for _, at := range tamper.allChunks() {
		switch string(at.content) {
		case string(lots(0)[0].content):
			tamper.flip(at)
		case "the end of the shelf":
			tamper.flip(at)
			flipped := []byte("the end of the shelf")
			flipped[len(flipped)/2] ^= 4
			tamper.lie(at.slab, at.frame, at.chunk, flipped)
		}
	}
	f.reopen()
	report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil || !slices.Contains(membersHarmed(report, c.ID), "") || len(membersHarmed(report, rest.ID)) > 0 {
		t.Errorf("verifying gave %+v, %v", report, err)
	}
	for range 2 { // the second time the tables are right
		for path, want := range contentsOf(t, in) {
			var out bytes.Buffer
			_, err := f.RestoreMembers(t.Context(), &c.Volumes[0], func(p string) bool { return p == path }, &out, store.RestoreOptions{})
			if !errors.Is(err, store.ErrUnproved) {
				t.Errorf("%s: %v (%v)", path, err, bytes.Equal(want, out.Bytes()))
			}
			own, err := f.openVolume(c).Open(t.Context(), path)
			if err != nil {
				t.Fatal(err)
			}
			whole, err := io.ReadAll(own)
			if !errors.Is(err, store.ErrUnproved) || int64(len(whole)) != own.Size() {
				t.Errorf("%s, opened: %d bytes, %v", path, len(whole), err)
			}
			if n, err := own.ReadAt(whole, 0); n != len(whole) || !errors.Is(err, store.ErrUnproved) {
				t.Errorf("%s, opened: %d bytes at once, %v", path, n, err)
			}
			own.Close()
		}
		out, err := f.Repair(t.Context(), store.RepairOptions{})
		if want := []store.Harmed{{Capture: c.ID, Volume: "data"}}; err != nil || !slices.Equal(out.Lost, want) {
			t.Fatalf("repairing gave %+v, %v", out, err)
		}
	}
	if _, err := f.Repair(t.Context(), store.RepairOptions{Drop: true}); err != nil {
		t.Fatal(err)
	}
	f.verify(t.Context())
	if !bytes.Equal(contentsOf(t, f.restore(rest))["bean"], []byte("bean")) {
		t.Error("the rest is wrong")
	}
}

// TestDropDisputed gives up what a wrong frame harms. The rest of its captures stays.
func TestDropDisputed(t *testing.T) {
	d := bytesCase(t, tarOf(t, lots(1)...), func(_ *fixture, tamper *forge) {
		at := tamper.allChunks()[0]
		if string(at.content) != string(lots(0)[0].content) {
			t.Fatalf("the first chunk has %d bytes", len(at.content))
		}
		tamper.flip(at)
	})
	d.harmed = true
	out, err := d.Repair(t.Context(), store.RepairOptions{Drop: true})
	if err != nil || !out.Dropped || len(out.Lost) != 3 {
		t.Fatalf("repairing gave %+v, %v", out, err)
	}
	d.verify(t.Context())
	captures, err := d.Captures(t.Context())
	if err != nil || len(captures) != 4 {
		t.Fatalf("%d captures, %v", len(captures), err)
	}
	for _, c := range captures {
		want := contentsOf(t, d.streams[c.ID])
		if slices.ContainsFunc(out.Lost, func(h store.Harmed) bool { return h.Capture == c.ID && h.Path == "first" }) {
			delete(want, "first")
		}
		got := contentsOf(t, d.restore(c))
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s has %d members, not %d, or others", c.ID, len(got), len(want))
		}
	}
	if _, err := d.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil {
		t.Error(err)
	}
	d.verify(t.Context())
}

// TestDisputedStays has rests moved of a slab with a wrong frame: they stay, as what the table
// says is all that tells what was captured.
func TestDisputedStays(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	gone := f.capture(tarOf(t, file{name: "gone", content: random(3, 50_000)}, file{name: "last", content: []byte("bean")}))
	f.capture(tarOf(t, file{name: "last", content: []byte("bean")}))
	tamper := tamperWith(t, f.mem, f.key)
	for _, at := range tamper.allChunks() {
		if string(at.content) == "bean" {
			tamper.flip(at)
		}
	}
	f.reopen()
	f.retire(gone)
	for range 2 {
		_, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01})
		if !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), "and stays") {
			t.Fatalf("reclaiming gave %v", err)
		}
	}
	if out, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil || len(out.Lost) == 0 {
		t.Fatalf("repairing gave %+v, %v", out, err)
	}
	if _, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01}); err != nil {
		t.Errorf("reclaiming after repairing: %v", err)
	}
}

// TestRecheckSetting makes repositories with and without. The setting is sealed.
func TestRecheckSetting(t *testing.T) {
	for _, off := range []bool{false, true} {
		f := &fixture{t: t, mem: storage.NewMemory(), key: crypt.NewKeyFile()}
		var err error
		if f.Repository, err = store.Create(t.Context(), f.mem, f.key, store.CreateOptions{NoRecheck: off}); err != nil {
			t.Fatal(err)
		}
		for range 2 {
			if f.Recheck() == off {
				t.Errorf("off is %v, and it is read back: %v", off, f.Recheck())
			}
			f.reopen()
		}
		c := f.capture(tarOf(t, lots(0)...))
		f.verify(t.Context())
		if _, err := checkSecond(secondOf(t, f), []secondWanted{{ID: c.ID, SHA256: []string{c.Volumes[0].SHA256}, Paths: []string{"first", "large", "last"}}}); err != nil {
			t.Error(err)
		}
		f.Close()
		for _, change := range []func(string) string{
			func(s string) string { return strings.Replace(s, `  "recheck": "off",`+"\n", "", 1) },
			func(s string) string { return strings.Replace(s, `  "seal"`, `  "recheck": "off",`+"\n"+`  "seal"`, 1) },
			func(s string) string { return strings.Replace(s, `"off"`, `"on"`, 1) },
		} {
			all := objects(t, f.mem)
			before := string(all[names.Manifest])
			all[names.Manifest] = []byte(change(before))
			if string(all[names.Manifest]) == before || off && strings.Count(string(all[names.Manifest]), "recheck") == 2 {
				continue
			}
			if _, err := store.Open(t.Context(), memoryOf(t, all), f.key, store.OpenOptions{}); !errors.Is(err, store.ErrDamaged) {
				t.Errorf("opened with %s: %v", all[names.Manifest], err)
			}
		}
	}
}

// TestDropBesideAHole drops a member whose frame is wrong, and keeps another one in the same frame of
// which a chunk comes again and again.
func TestDropBesideAHole(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	first, hole := random(5, 3000), make([]byte, 4<<20)
	f.capture(tarOf(t, file{name: "first", content: first}, file{name: "hole", content: hole}, file{name: "last", content: []byte("bean")}))
	tamper := tamperWith(t, f.mem, f.key)
	for _, at := range tamper.allChunks() {
		if string(at.content) == string(first) {
			tamper.flip(at)
		}
	}
	f.reopen()
	out, err := f.Repair(t.Context(), store.RepairOptions{Drop: true})
	if err != nil || !out.Dropped || len(out.Lost) != 1 {
		t.Fatalf("repairing gave %+v, %v", out, err)
	}
	f.verify(t.Context())
	captures, err := f.Captures(t.Context())
	if err != nil || len(captures) != 1 {
		t.Fatalf("%d captures, %v", len(captures), err)
	}
	got := contentsOf(t, f.restore(captures[0]))
	if len(got) != 2 || string(got["hole"]) != string(hole) || string(got["last"]) != "bean" {
		t.Errorf("%d members are left, of the hole %d bytes", len(got), len(got["hole"]))
	}
}
