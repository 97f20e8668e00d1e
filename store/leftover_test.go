package store_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// cut leaves the first bytes of the objects of one folder that were not there before.
func (s *site) cut(folder string, before map[string]bool, size int64) {
	s.t.Helper()
	found := false
	for name := range s.objects() {
		if strings.HasPrefix(name, folder+"/") && !before[name] {
			found = true
			if err := s.disk.Truncate(name, size); err != nil {
				s.t.Fatal(err)
			}
		}
	}
	if !found {
		s.t.Fatalf("nothing new in %s", folder)
	}
}

func (s *site) objects() map[string]bool {
	s.t.Helper()
	infos, err := s.folder.List(s.t.Context(), "")
	if err != nil {
		s.t.Fatal(err)
	}
	all := map[string]bool{}
	for _, info := range infos {
		all[info.Name] = true
	}
	return all
}

// TestEmptyIndexFile has a share keep nothing of an index file, as NFS does when it is
// mounted soft and its server is down: that capture is as good as absent, and all
// else works.
func TestEmptyIndexFile(t *testing.T) {
	s := newPreparedSite(t)
	before := s.objects()
	if err := takeStream("third")(s, t.Context()); err != nil {
		t.Fatal(err)
	}
	s.cut("captures", before, 0)
	if captures, err := s.Captures(t.Context()); err != nil || len(captures) != 1 {
		t.Errorf("%d captures: %v", len(captures), err)
	}
	if _, err := s.Usage(t.Context()); err != nil {
		t.Errorf("usage: %v", err)
	}
	report, err := s.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || len(report.Damage)+len(report.Notes) == 0 {
		t.Errorf("verifying says nothing of it: %v", err)
	}
}

// TestCutSlabOfNobody has a slab cut short that no capture refers to: that harms
// nothing, and is worth a note.
func TestCutSlabOfNobody(t *testing.T) {
	s := newPreparedSite(t)
	before := s.objects()
	if _, err := s.Draft(t.Context(), s.folderOptions()); err != nil {
		t.Fatal(err)
	}
	s.cut("slabs", before, 100)
	report, err := s.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil || !report.OK || len(report.Notes) == 0 {
		t.Errorf("%+v, %v", report, err)
	}
}

// TestSetupInterrupted has the power fail at every step of setup. What is left is
// a repository, or none, and never a damaged one.
func TestSetupInterrupted(t *testing.T) {
	for k, crashed := 0, true; crashed; k++ {
		s := newSite(t)
		s.disk.CrashAt(k)
		err := s.setup(t.Context())
		made := err == nil // also where it came too late, as what only serves while it is made was removed
		if crashed = s.disk.Crashed(); !made && !(crashed && errors.Is(err, storagetest.ErrCrashed)) {
			t.Fatal(err)
		}
		for seed := range uint64(20) {
			folder, err := s.disk.Survivor(seed).Open()
			if err != nil {
				if made {
					t.Errorf("power failed at change %d, seed %d: %v", k, seed, err)
				}
				continue // not even a folder
			}
			r, err := store.Open(t.Context(), folder, s.key, store.OpenOptions{})
			if err == nil {
				r.Close()
			} else if made || !errors.Is(err, store.ErrNoRepository) {
				t.Errorf("power failed at change %d, seed %d: %v", k, seed, err)
			}
		}
	}
}
