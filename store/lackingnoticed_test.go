package store_test

import (
	"cmp"
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// captureFolder makes a capture of a folder an hour later.
func (s *onShare) captureFolder(machine, dir string, reread bool) (c *store.Capture) {
	s.t.Helper()
	s.clock = s.clock.Add(3600e9)
	s.on(machine, func(ctx context.Context, r *store.Repository) (err error) {
		c, err = r.Capture(ctx, store.CaptureOptions{Name: "seedbank", Host: "hazel", Taken: s.clock, Volumes: []store.VolumeInput{{
			Name: "data", Source: dir, Folder: &store.FolderInput{Path: dir, Reread: reread, Now: later},
		}}})
		return err
	})
	return c
}

// verified tells whether nothing is amiss with a capture.
func (s *onShare) verified(c *store.Capture) (ok bool) {
	s.t.Helper()
	s.on("", func(ctx context.Context, r *store.Repository) error {
		report, err := r.Verify(ctx, store.VerifyOptions{Full: true, Captures: []string{c.ID}})
		ok = err == nil && report.OK
		return err
	})
	return ok
}

// removeLong removes the slabs of the contents.
func (s *onShare) removeLong() (names []string) {
	for _, info := range s.list("slabs") {
		if info.Size > 200_000 {
			s.remove(info.Name)
			names = append(names, info.Name)
		}
	}
	return names
}

// A slab is gone on which the machine's own notes rely. What is known of that, or asked for, has the next capture be whole: a
// capture that reads all again, one after repairing, and one after a verification that is kept.
func TestGoneSlabIsNotReliedOn(t *testing.T) {
	for how, do := range map[string]func(*onShare){
		"reread": func(*onShare) {},
		"repaired": func(s *onShare) {
			s.on("alder", func(ctx context.Context, r *store.Repository) error {
				_, err := r.Repair(ctx, store.RepairOptions{})
				return err
			})
			s.on("alder", func(ctx context.Context, r *store.Repository) error { // which leaves the mark of what is needed
				report, err := r.Reclaim(ctx, store.ReclaimOptions{})
				if err == nil && !slices.ContainsFunc(report.Notes, func(n string) bool { return strings.Contains(n, "is gone, which captures need") }) {
					s.t.Errorf("reclaiming does not tell of it: %q", report.Notes)
				}
				return err
			})
		},
		"verified": func(s *onShare) {
			s.on("alder", func(ctx context.Context, r *store.Repository) error {
				_, err := r.Verify(ctx, store.VerifyOptions{Keep: true})
				return err
			})
		},
	} {
		t.Run(how, func(t *testing.T) {
			s := newOnShare(t)
			dir := t.TempDir()
			write(t, filepath.Join(dir, "catalogue"), random(1, 300_000))
			in := random(1, 300_000)
			capture := func() (c *store.Capture) {
				if how == "reread" {
					return s.captureFolder("hazel", dir, true)
				}
				c, _ = s.capture("hazel", "seedbank", in)
				return c
			}
			capture()
			capture()
			s.removeLong()
			do(s)
			if c := capture(); !s.verified(c) {
				t.Error("a capture relies on what is gone")
			}
		})
	}
}

// A list of captures seen that is gone is not named again once damage is told of.
func TestGoneListIsNotNamedAgain(t *testing.T) {
	s := newOnShare(t)
	in := random(1, 300_000)
	s.capture("hazel", "seedbank", in)
	had := s.list("slabs")
	s.capture("hazel", "seedbank", in) // nothing is put but the list
	for _, info := range s.list("slabs") {
		if !slices.Contains(had, info) {
			s.remove(info.Name)
		}
	}
	s.on("alder", func(ctx context.Context, r *store.Repository) error {
		_, err := r.Verify(ctx, store.VerifyOptions{Keep: true})
		return err
	})
	for range 2 {
		if c, _ := s.capture("hazel", "seedbank", in); !s.verified(c) {
			t.Error("a capture names a list that is gone")
		}
	}
}

// A capture that notices a slab that is gone says so, and the status of the repository shows it, until a verification of all finds
// nothing amiss.
func TestGoneSlabIsTold(t *testing.T) {
	for how, reread := range map[string]bool{"listed": true, "read as a base": false, "without copies": false} {
		t.Run(how, func(t *testing.T) {
			s := newOnShareOf(t, withDeltas(store.DeltasOn))
			dir := t.TempDir()
			first := random(1, 1_500_000) // more than what copies are kept of unasked
			write(t, filepath.Join(dir, "catalogue"), first)
			s.captureFolder("hazel", dir, false)
			gone := s.removeLong()
			write(t, filepath.Join(dir, "catalogue"), edited(first, 3000, 1))
			if how == "without copies" {
				if err := os.RemoveAll(filepath.Join(s.homes, "hazel", "copies")); err != nil {
					t.Fatal(err)
				}
			}
			c := s.captureFolder("hazel", dir, reread)
			if !slices.ContainsFunc(c.Notes, func(n string) bool { return strings.Contains(n, gone[0]+" is gone") }) {
				t.Errorf("no note names %s: %q", gone, c.Notes)
			}
			s.on("alder", func(ctx context.Context, r *store.Repository) error {
				status, err := r.Status(ctx, store.StatusOptions{Now: s.clock})
				if err == nil && (status.Damage == nil || status.Damage.Damaged != 1) {
					t.Errorf("the status tells of damage %+v", status.Damage)
				}
				return err
			})
		})
	}
}

// tells makes sure that a capture tells of a slab that is lost, and the status of the repository of damage.
func (s *onShare) tells(c *store.Capture, slab string) {
	s.t.Helper()
	if !slices.ContainsFunc(c.Notes, func(n string) bool {
		return strings.HasPrefix(n, slab+" is ") && strings.Contains(n, "which earlier captures need")
	}) {
		s.t.Errorf("no note names %s: %q", slab, c.Notes)
	}
	s.on("", func(ctx context.Context, r *store.Repository) error {
		status, err := r.Status(ctx, store.StatusOptions{Now: s.clock})
		if err == nil && (status.Damage == nil || status.Damage.Damaged != 1) {
			s.t.Errorf("the status tells of damage %+v", status.Damage)
		}
		return err
	})
}

// A slab is lost or cut short that the capture before needs, or what that stands on. A machine that has no notes of what that is
// tells of it as well, and of nothing where nothing is lost.
func TestLostSlabIsToldWithoutNotes(t *testing.T) {
	for _, lose := range []string{"removed", "cut short", ""} {
		for what, second := range map[string]func([]byte) []byte{
			"needed":   func(in []byte) []byte { return append(in, random(2, 100_000)...) },
			"stood on": func(in []byte) []byte { return edited(in, 3000, 1) },
		} {
			for _, machine := range []string{"", "hazel"} {
				t.Run(strings.Join([]string{what, lose, machine}, " "), func(t *testing.T) {
					s := newOnShareOf(t, withDeltas(store.DeltasOn))
					in := random(1, 300_000)
					s.capture("hazel", "seedbank", in)
					lost := s.long()
					s.capture("hazel", "seedbank", second(in))
					switch lose {
					case "removed":
						s.remove(lost)
					case "cut short":
						if err := s.disk.Truncate(lost, 150_000); err != nil {
							t.Fatal(err)
						}
					}
					if err := os.RemoveAll(filepath.Join(s.homes, "hazel", "copies")); err != nil {
						t.Fatal(err)
					}
					c, _ := s.capture(machine, "seedbank", random(3, 1000))
					if lose != "" {
						s.tells(c, lost)
					} else if len(c.Notes) > 0 {
						t.Errorf("where all is well a capture notes %q", c.Notes)
					}
				})
			}
		}
	}
}

// long gives the slab of the contents.
func (s *onShare) long() string {
	s.t.Helper()
	all := s.list("slabs")
	return slices.MaxFunc(all, func(a, b storage.Info) int { return cmp.Compare(a.Size, b.Size) }).Name
}

// A folder is held against what it was before, also where nothing is taken over: where all is read again, by a machine without
// notes, from another path, and after a capture of it as a stream.
func TestFolderFollowsWithoutTakingOver(t *testing.T) {
	for how, capture := range map[string]func(*onShare, string) *store.Capture{
		"reread":       func(s *onShare, dir string) *store.Capture { return s.captureFolder("hazel", dir, true) },
		"no notes":     func(s *onShare, dir string) *store.Capture { return s.captureFolder("", dir, false) },
		"another path": func(s *onShare, dir string) *store.Capture { return s.captureFolder("hazel", moved(s.t, dir), false) },
		"after a stream": func(s *onShare, dir string) *store.Capture {
			s.capture("hazel", "seedbank", tarOf(s.t, file{name: "catalogue", content: random(1, 300_000)}))
			return s.captureFolder("alder", dir, false)
		},
	} {
		t.Run(how, func(t *testing.T) {
			s := newOnShareOf(t, withDeltas(store.DeltasOn))
			dir := filepath.Join(t.TempDir(), "data")
			first := random(1, 300_000)
			write(t, filepath.Join(dir, "catalogue"), first)
			s.captureFolder("hazel", dir, false)
			write(t, filepath.Join(dir, "catalogue"), edited(first, 3000, 1))
			c := capture(s, dir)
			if c.Added > 100_000 {
				t.Errorf("%d bytes are stored of what is alike", c.Added)
			}
			if !s.verified(c) {
				t.Error("it is not whole")
			}
		})
	}
}

// moved gives another path at which a folder is from then on.
func moved(t *testing.T, dir string) string {
	to := dir + "-moved"
	if err := os.Rename(dir, to); err != nil {
		t.Fatal(err)
	}
	return to
}
