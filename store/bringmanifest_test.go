package store

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestBringManifest: kist.json comes from another place where it is gone or damaged, to the byte, and nowhere else.
func TestBringManifest(t *testing.T) {
	a := newSite(t)
	there := a.replica().open("")
	whole := a.read(names.Manifest)
	for _, test := range []struct {
		name     string
		manifest []byte // what is there; nil: nothing
		slots    bool
		put      bool
		err      error
	}{
		{"whole", whole, true, false, nil},
		{"gone", nil, true, true, nil},
		{"empty", []byte{}, true, true, nil},
		{"cut short", whole[:40], true, true, nil},
		{"another setting", bytes.Replace(whole, []byte("8192"), []byte("4096"), 1), true, true, nil},
		{"another setting that may be", bytes.Replace(whole, []byte("8192"), []byte("16384"), 1), true, true, nil},
		{"a later version", bytes.Replace(whole, []byte(`"kist_format": 1`), []byte(`"kist_format": 9`), 1), true, false, ErrUnknownFormat},
		{"gone with all key slots", nil, false, false, ErrNotReplica},
	} {
		s := a.copyOf(t, a.allObjects())
		for name := range s.allObjects() {
			if name == names.Manifest || !test.slots && strings.HasPrefix(name, names.KeySlots) {
				s.remove(name)
			}
		}
		if test.manifest != nil {
			if err := s.mem.Put(t.Context(), names.Manifest, bytes.NewReader(test.manifest)); err != nil {
				t.Fatal(err)
			}
		}
		put, err := there.BringManifest(t.Context(), s.mem)
		if put != test.put || !errors.Is(err, test.err) {
			t.Errorf("%s: put %t, %v", test.name, put, err)
		}
		if err == nil && !bytes.Equal(s.read(names.Manifest), whole) {
			t.Errorf("%s: there is another one", test.name)
		}
	}
	other := newSite(t)
	other.remove(names.Manifest)
	if put, err := there.BringManifest(t.Context(), other.mem); put || !errors.Is(err, ErrNotReplica) {
		t.Errorf("into another repository: %t, %v", put, err)
	}
	if _, err := other.mem.Stat(t.Context(), names.Manifest); err == nil {
		t.Error("another repository has a kist.json by now")
	}
}

// TestBringManifestFaults: whatever call fails, the next run does it.
func TestBringManifestFaults(t *testing.T) {
	a := newSite(t)
	there, whole := a.replica().open(""), a.read(names.Manifest)
	for call, fired := 0, true; fired; call++ {
		for _, effect := range []storagetest.Effect{storagetest.Fail, storagetest.FailAfter, storagetest.TearAndFail} {
			s := a.copyOf(t, a.allObjects())
			s.flip(names.Manifest, 3)
			faulty := storagetest.NewFaulty(s.mem)
			faulty.Inject(storagetest.Fault{From: call, Effect: effect, Keep: 10})
			_, err := there.BringManifest(t.Context(), faulty)
			if fired = faulty.Calls(storagetest.Any) > call; fired && !errors.Is(err, storagetest.ErrInjected) && !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrNotReplica) {
				t.Errorf("call %d, %v: %v", call, effect, err)
			}
			if _, err := there.BringManifest(t.Context(), s.mem); err != nil || !bytes.Equal(s.read(names.Manifest), whole) {
				t.Errorf("call %d, %v: the next run: %v", call, effect, err)
			}
			s.open("")
		}
		if !fired && call < 4 {
			t.Errorf("only %d calls", call)
		}
	}
}
