package store_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// onShare is a repository on a share whose calls are counted, and machines that use it.
type onShare struct {
	t     *testing.T
	disk  *storagetest.Disk
	share *storagetest.Share
	key   *crypt.KeyFile
	homes string
	bases bool // machines keep copies of bases
	clock time.Time
}

func newOnShare(t *testing.T) *onShare { return newOnShareOf(t, store.CreateOptions{}) }

func newOnShareOf(t *testing.T, o store.CreateOptions) *onShare {
	s := &onShare{t: t, disk: storagetest.NewDisk(0), key: crypt.NewKeyFile(), homes: t.TempDir(), clock: time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)}
	os.Chmod(s.homes, 0o700)
	s.disk.SetNow(func() time.Time { return s.clock })
	s.share = storagetest.NewShare(s.disk.Place())
	folder, err := s.disk.Create(store.Folders()...)
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	r, err := store.Create(t.Context(), folder, s.key, o)
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
	return s
}

// on has a machine do something, and gives how many calls that took, with opening. "" is a machine
// that keeps nothing.
func (s *onShare) on(machine string, do func(context.Context, *store.Repository) error) int64 {
	s.t.Helper()
	folder, err := storage.OpenFolderAt(s.share)
	if err != nil {
		s.t.Fatal(err)
	}
	defer folder.Close()
	s.share.Reset()
	o := store.OpenOptions{KeepBases: s.bases}
	if machine != "" {
		o.Cache, o.State = filepath.Join(s.homes, machine, "copies"), filepath.Join(s.homes, machine, "state")
		if err := os.MkdirAll(filepath.Join(s.homes, machine), 0o700); err != nil {
			s.t.Fatal(err)
		}
	}
	r, err := store.Open(s.t.Context(), folder, s.key, o)
	if err != nil {
		s.t.Fatal(err)
	}
	defer r.Close()
	if err := do(s.t.Context(), r); err != nil {
		s.t.Fatal(err)
	}
	return s.share.Calls()
}

// capture makes a capture an hour later.
func (s *onShare) capture(machine, name string, b []byte) (c *store.Capture, calls int64) {
	s.t.Helper()
	s.clock = s.clock.Add(time.Hour)
	calls = s.on(machine, func(ctx context.Context, r *store.Repository) (err error) {
		c, err = r.Capture(ctx, store.CaptureOptions{Name: name, Host: "hazel", Taken: s.clock, Volumes: []store.VolumeInput{stream(b)}})
		return err
	})
	return c, calls
}

// whole makes sure that a capture can be restored, and that verifying finds nothing amiss with it.
func (s *onShare) whole(c *store.Capture, want []byte) {
	s.t.Helper()
	s.on("", func(ctx context.Context, r *store.Repository) error {
		report, err := r.Verify(ctx, store.VerifyOptions{Full: true, Captures: []string{c.ID}})
		if err == nil && !report.OK {
			err = fmt.Errorf("capture %s: %+v", c.ID, report.Damage)
		}
		return err
	})
	s.restores(c, want)
}

func (s *onShare) restores(c *store.Capture, want []byte) {
	s.t.Helper()
	s.on("", func(ctx context.Context, r *store.Repository) error {
		there, err := r.Find(ctx, c.ID)
		if err != nil {
			return err
		}
		var out bytes.Buffer
		if err := r.Restore(ctx, &there.Volumes[0], &out, store.RestoreOptions{}); err != nil {
			return err
		}
		if !bytes.Equal(out.Bytes(), want) {
			s.t.Errorf("capture %s is another one", c.ID)
		}
		return nil
	})
}

// remove removes an object behind everybody's back.
func (s *onShare) remove(name string) {
	s.t.Helper()
	folder, err := s.disk.Open()
	if err != nil {
		s.t.Fatal(err)
	}
	defer folder.Close()
	if err := folder.Remove(s.t.Context(), name); err != nil {
		s.t.Fatal(err)
	}
}

func (s *onShare) list(folder string) []storage.Info {
	s.t.Helper()
	f, err := s.disk.Open()
	if err != nil {
		s.t.Fatal(err)
	}
	defer f.Close()
	infos, err := f.List(s.t.Context(), folder)
	if err != nil {
		s.t.Fatal(err)
	}
	return infos
}

// What goes over the wire stays bounded while captures become many. The bounds are those of the
// repository's users: no source.
func TestCallsOverAShare(t *testing.T) {
	oneByOne(t)
	s := newOnShare(t)
	in := random(1, 200_000)
	for i := range 150 {
		copy(in[i*100:], random(byte(i), 100))
		s.capture("hazel", "seedbank", in)
	}
	s.capture("hazel", "seedbank", in)
	check := func(what string, calls, most int64) {
		t.Helper()
		if calls > most {
			t.Errorf("%s: %d calls, at most %d are allowed: %v", what, calls, most, s.share.Counts())
		}
	}
	list := func(ctx context.Context, r *store.Repository) error { _, err := r.Captures(ctx); return err }
	for range 3 {
		_, calls := s.capture("hazel", "seedbank", in)
		check("an unchanged capture", calls, 110)
	}
	check("list", s.on("hazel", list), 40)
	check("list on another machine", s.on("alder", list), 320)
	check("the same again", s.on("alder", list), 40)
	check("usage", s.on("hazel", func(ctx context.Context, r *store.Repository) error { _, err := r.Usage(ctx); return err }), 2000)
	check("retiring 50", s.on("hazel", func(ctx context.Context, r *store.Repository) error {
		all, err := r.Captures(ctx)
		if err != nil {
			return err
		}
		return r.Retire(ctx, idsOf(all[:50]), store.MarkOptions{})
	}), 70)
	s.on("hazel", func(ctx context.Context, r *store.Repository) error {
		_, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace})
		return err
	})
	s.on("", func(ctx context.Context, r *store.Repository) error {
		report, err := r.Verify(ctx, store.VerifyOptions{Full: true})
		if err == nil && (!report.OK || len(report.Notes) > 0) {
			err = fmt.Errorf("%+v", report)
		}
		return err
	})
}

// A machine that knows nothing learns of most captures by bundles, which have none that are gone.
func TestBundles(t *testing.T) {
	s := newOnShare(t)
	in := random(1, 50_000)
	for range 100 {
		s.capture("hazel", "seedbank", in)
	}
	bundles := s.list("bundles")
	if len(bundles) == 0 {
		t.Fatal("there is no bundle")
	}
	list := func(n int) func(context.Context, *store.Repository) error {
		return func(ctx context.Context, r *store.Repository) error {
			all, err := r.Captures(ctx)
			if len(all) != n {
				t.Errorf("%d captures, want %d", len(all), n)
			}
			return err
		}
	}
	if with, without := s.on("alder", list(100)), s.on("", list(100)); 2*with > without {
		t.Errorf("with bundles %d calls, without copies %d", with, without)
	}
	s.on("hazel", func(ctx context.Context, r *store.Repository) error {
		all, err := r.Captures(ctx)
		if err != nil {
			return err
		}
		if err := r.Retire(ctx, idsOf(all[:10]), store.MarkOptions{}); err != nil {
			return err
		}
		_, err = r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace})
		return err
	})
	for _, info := range s.list("bundles") {
		for _, old := range bundles {
			if info.Name == old.Name {
				t.Errorf("%s has captures that are gone", info.Name)
			}
		}
	}
	s.on("ash", list(90))
	// One that is damaged is found, harms nobody, and is removed by repairing.
	name := s.list("bundles")[0].Name
	if err := s.disk.Truncate(name, 500); err != nil {
		t.Fatal(err)
	}
	s.on("birch", list(90))
	s.on("", func(ctx context.Context, r *store.Repository) error {
		report, err := r.Verify(ctx, store.VerifyOptions{})
		if err == nil && (len(report.Damage) != 1 || report.Damage[0].Object != name) {
			t.Errorf("verifying finds %+v", report.Damage)
		}
		_, err = r.Repair(ctx, store.RepairOptions{})
		return err
	})
	for _, info := range s.list("bundles") {
		if info.Name == name {
			t.Error("a damaged bundle stays")
		}
	}
}

// A slab that was lost, or cut short, is stored again within some captures, though none lists all slabs.
func TestLostSlabIsNoticed(t *testing.T) {
	for _, lose := range []string{"removed", "cut short"} {
		t.Run(lose, func(t *testing.T) {
			s := newOnShare(t)
			in := random(1, 300_000)
			s.capture("hazel", "seedbank", in)
			lost := ""
			for _, info := range s.list("slabs") {
				if info.Size < 200_000 {
					continue
				}
				lost = info.Name
				if lose == "removed" {
					s.remove(info.Name)
				} else if err := s.disk.Truncate(info.Name, info.Size/2); err != nil {
					t.Fatal(err)
				}
			}
			for i := range 130 {
				c, _ := s.capture("hazel", "seedbank", in)
				if c.Added > 200_000 {
					s.tells(c, lost)
					s.whole(c, in)
					t.Logf("noticed by capture %d", i+1)
					// From then on nothing relies on it.
					next, _ := s.capture("hazel", "seedbank", in)
					s.whole(next, in)
					if next.Added > 200_000 {
						t.Error("stored once more")
					}
					return
				}
			}
			t.Error("it is never noticed")
		})
	}
}

// A slab is lost, or cut short, that captures only stand on: it is noticed as one that their recipes name.
func TestLostBaseIsNoticed(t *testing.T) {
	for _, lose := range []string{"removed", "cut short"} {
		t.Run(lose, func(t *testing.T) {
			s := newOnShareOf(t, withDeltas(store.DeltasOn))
			first := random(1, 300_000)
			s.capture("hazel", "seedbank", first)
			var base storage.Info
			for _, info := range s.list("slabs") {
				if info.Size > 200_000 {
					base = info
				}
			}
			// Some of it stands on the first slab, and some on nothing.
			in := append(edited(first, 3000, 1), random(2, 100_000)...)
			if c, _ := s.capture("hazel", "seedbank", in); c.Added > 200_000 {
				t.Fatalf("%d bytes are stored of what is alike", c.Added)
			}
			if lose == "removed" {
				s.remove(base.Name)
			} else if err := s.disk.Truncate(base.Name, base.Size/2); err != nil {
				t.Fatal(err)
			}
			for range 130 {
				c, _ := s.capture("hazel", "seedbank", in)
				if c.Added < 200_000 {
					continue
				}
				s.tells(c, base.Name)
				s.whole(c, in)
				for range 2 { // from then on nothing relies on it
					next, _ := s.capture("hazel", "seedbank", in)
					s.whole(next, in)
					if next.Added > 200_000 {
						t.Error("stored once more")
					}
				}
				return
			}
			t.Error("it is never noticed")
		})
	}
}

// A slab that stands on one which is cut short is not relied on where all are listed, either.
func TestCutBaseIsListed(t *testing.T) {
	s := newOnShareOf(t, withDeltas(store.DeltasOn))
	first := random(1, 300_000)
	s.capture("hazel", "seedbank", first)
	had := s.list("slabs")
	in := append(edited(first, 3000, 1), random(2, 100_000)...)
	s.capture("hazel", "seedbank", in)
	for _, info := range had {
		if info.Size > 200_000 {
			if err := s.disk.Truncate(info.Name, info.Size/2); err != nil {
				t.Fatal(err)
			}
		}
	}
	for range 3 { // the first lists all, and goes on using what stands on nothing; the others rely on that without listing
		c, _ := s.capture("alder", "seedbank", in)
		s.restores(c, in)
	}
}

// What another machine removed is not relied on by a note of what an own capture needed.
func TestRemovedSinceIsNotReliedOn(t *testing.T) {
	s := newOnShare(t)
	in, other := random(1, 300_000), random(2, 300_000)
	c, _ := s.capture("hazel", "seedbank", in)
	s.capture("alder", "orchard", other)
	s.on("alder", func(ctx context.Context, r *store.Repository) error {
		if err := r.Retire(ctx, []string{c.ID}, store.MarkOptions{}); err != nil {
			return err
		}
		_, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace})
		return err
	})
	again, _ := s.capture("hazel", "seedbank", in)
	s.whole(again, in)
}

// What another machine moved to other slabs is not relied on where it was.
func TestMovedSinceIsNotReliedOn(t *testing.T) {
	s := newOnShare(t)
	in, other := random(1, 300_000), random(2, 300_000)
	both, _ := s.capture("hazel", "seedbank", append(bytes.Clone(in), other...))
	c, _ := s.capture("hazel", "seedbank", in)
	s.on("alder", func(ctx context.Context, r *store.Repository) error {
		if err := r.Retire(ctx, []string{both.ID}, store.MarkOptions{}); err != nil {
			return err
		}
		_, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace})
		return err
	})
	if there := s.list("captures"); len(there) != 1 || there[0].Name != "captures/"+c.ID+".1" {
		t.Fatalf("nothing was moved: %v", there)
	}
	again, _ := s.capture("hazel", "seedbank", in)
	s.whole(again, in)
}

// A copy of the repository that was put back to an earlier state is taken for what it is.
func TestReliedOnIsPutBack(t *testing.T) {
	s := newOnShare(t)
	in := random(1, 300_000)
	s.capture("hazel", "seedbank", in)
	before := s.disk.Fork()
	changed := append(bytes.Clone(in), random(2, 300_000)...)
	s.capture("hazel", "seedbank", changed)
	s.disk, s.share = before, storagetest.NewShare(before.Place())
	s.disk.SetNow(func() time.Time { return s.clock })
	c, _ := s.capture("hazel", "seedbank", changed)
	s.restores(c, changed) // verifying would miss the capture in between, as it should
}

// alone is how many bytes a capture may store that others have, before it reads their tables.
const alone = 1 << 20

// What no own capture needs is asked for before a capture relies on it: chunks of another service, whose
// slab was lost.
func TestOthersSlabIsAskedFor(t *testing.T) {
	s := newOnShare(t)
	in, other := random(1, 300_000), random(2, 4_000_000)
	s.capture("hazel", "seedbank", in)
	s.capture("alder", "orchard", other)
	s.capture("hazel", "seedbank", in)
	both := append(bytes.Clone(in), other...)
	c, _ := s.capture("hazel", "seedbank", both)
	if c.Added > alone+200_000 {
		t.Errorf("%d bytes are stored, though all was there", c.Added)
	}
	s.whole(c, both)

	third := random(3, 4_000_000)
	had := make(map[string]bool)
	for _, info := range s.list("slabs") {
		had[info.Name] = true
	}
	s.capture("alder", "orchard", third)
	for _, info := range s.list("slabs") {
		if !had[info.Name] {
			s.remove(info.Name)
		}
	}
	all := append(bytes.Clone(both), third...)
	c, _ = s.capture("hazel", "seedbank", all)
	s.whole(c, all)
}

// After a capture that was stopped, the next one finds what arrived, wherever it lies.
func TestStoppedCaptureIsTakenOver(t *testing.T) {
	oneByOne(t)
	s := newOnShare(t)
	in := random(1, 300_000)
	s.capture("hazel", "seedbank", in)
	s.capture("hazel", "seedbank", in)
	large := random(2, 50<<20)
	s.on("hazel", func(ctx context.Context, r *store.Repository) error {
		ctx, stop := context.WithCancel(ctx)
		defer stop()
		_, err := r.Capture(ctx, store.CaptureOptions{Name: "seedbank", Host: "hazel", Taken: s.clock, Volumes: []store.VolumeInput{{Name: "data", Open: func(context.Context) (io.ReadCloser, error) {
			return io.NopCloser(io.MultiReader(bytes.NewReader(large), stopping{stop})), nil
		}}}})
		if err == nil {
			t.Error("it was not stopped")
		}
		return nil
	})
	c, _ := s.capture("hazel", "seedbank", large)
	if c.Added > 30<<20 {
		t.Errorf("%d of %d bytes are stored again", c.Added, len(large))
	}
	s.whole(c, large)
}

// stopping ends a capture when all before it was read.
type stopping struct{ stop func() }

func (s stopping) Read([]byte) (int, error) {
	s.stop()
	return 0, context.Canceled
}
