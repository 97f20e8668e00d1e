package store

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/remember"
)

// TestForgedCaptures has somebody with a key of the repository put captures there that
// say they are of the victim's host and folder, with the states of its files, and have
// other contents. The victim's next capture has what its files have.
func TestForgedCaptures(t *testing.T) {
	const honest, evil = "PermitRootLogin no \n", "PermitRootLogin yes\n"
	for name, put := range map[string]func(m *machine, victim *Capture, evil *format.Recipe){
		"a later capture": func(m *machine, victim *Capture, evil *format.Recipe) {
			record := *victim.captured.IndexFile
			record.Volumes = slices.Clone(record.Volumes)
			record.Volumes[0].Contents, record.ID = evil, ""
			if _, err := m.ledger.WriteIndexFile(t.Context(), &record); err != nil {
				t.Fatal(err)
			}
		},
		"a generation of another hash": func(m *machine, victim *Capture, evil *format.Recipe) {
			record := *victim.captured.IndexFile
			record.Volumes = slices.Clone(record.Volumes)
			record.Volumes[0].Contents = evil
			if _, err := m.ledger.WriteGeneration(t.Context(), &record, 1); err != nil {
				t.Fatal(err)
			}
		},
		"a generation of the same hash": func(m *machine, victim *Capture, evil *format.Recipe) {
			record := *victim.captured.IndexFile
			record.Volumes = slices.Clone(record.Volumes)
			contents := *record.Volumes[0].Contents
			contents.Level, contents.Runs = evil.Level, evil.Runs
			record.Volumes[0].Contents = &contents
			if record.Hash() != victim.captured.Hash() {
				t.Fatal("that tests little")
			}
			if _, err := m.ledger.WriteGeneration(t.Context(), &record, 7); err != nil {
				t.Fatal(err)
			}
		},
	} {
		for _, keeps := range []bool{true, false} {
			s, state, dir := newSite(t), t.TempDir(), t.TempDir()
			if !keeps {
				state = ""
			}
			oldFile(t, dir, "sshd_config", honest)
			victim := s.open(state)
			first := victim.folder(dir)
			attacker := s.open("")
			put(attacker, first, attacker.put("x", evil).Volumes[0].record.Contents)

			next := s.open(state)
			c := next.folder(dir)
			if got := next.restored(c); !bytes.Contains(got, []byte(honest)) || bytes.Contains(got, []byte(evil)) {
				t.Errorf("%s, state kept: %v: the victim's next capture has what was forged", name, keeps)
			}
			own := keeps && name == "a later capture" // beside the victim's own one
			if n := c.Volumes[0].Reused; own != (n > 0) || own == c.Volumes[0].FirstRead {
				t.Errorf("%s, state kept: %v: %d members were taken over, first read: %v", name, keeps, n, c.Volumes[0].FirstRead)
			}
			if again := s.open(state).folder(dir); keeps != (again.Volumes[0].Reused > 0) || keeps == again.Volumes[0].FirstRead {
				t.Errorf("%s, state kept: %v: of the victim's own one %d members are taken over", name, keeps, again.Volumes[0].Reused)
			}
		}
	}
}

// TestOwnAfterMoving takes over from an own capture whose chunks reclaiming moved: it is
// the same by its hash, and its runs prove to be.
func TestOwnAfterMoving(t *testing.T) {
	s, state, dir := newSite(t), t.TempDir(), t.TempDir()
	for i := range 60 {
		oldFile(t, dir, string(rune('a'+i%26))+string(rune('a'+i/26)), string(seeded(byte(i), 3000)))
	}
	m := s.open(state)
	first := m.folder(dir)
	removed, err := filepath.Glob(dir + "/*a")
	if err != nil || len(removed) != 26 {
		t.Fatal(removed, err)
	}
	for _, path := range removed {
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
	second := m.folder(dir)
	m.retireNow(first.ID)
	moved, err := m.Find(t.Context(), second.ID)
	if err != nil || moved.captured.Generation == 0 || moved.captured.Hash() != second.captured.Hash() {
		t.Fatalf("generation %d, %v", moved.captured.Generation, err)
	}
	m = s.open(state)
	if l := m.lapse(); !l.Empty() {
		t.Errorf("told %+v", l)
	}
	third := m.folder(dir)
	if n := third.Volumes[0].Reused; n < 30 {
		t.Errorf("%d members are taken over", n)
	}
	if third.Volumes[0].Digests() != second.Volumes[0].Digests() {
		t.Error("it is not the same")
	}
}

// TestCrashBeforeNoting has a process end between the commit and its note: the capture is
// seen by the next one, and read again; nothing is amiss.
func TestCrashBeforeNoting(t *testing.T) {
	s, state, dir := newSite(t), t.TempDir(), t.TempDir()
	oldFile(t, dir, "a", "bean")
	m := s.open(state)
	known := m.path(state)
	b, err := os.ReadFile(known)
	if err != nil {
		t.Fatal(err)
	}
	c := m.folder(dir)
	if err := os.WriteFile(known, b, 0o600); err != nil {
		t.Fatal(err)
	}
	m = s.open(state)
	if l := m.lapse(); !l.Empty() {
		t.Errorf("told %+v", l)
	}
	if got, ok := m.ledger.Watch().Memory.Find(c.ID); !ok || got.Kind != remember.Seen {
		t.Errorf("%v, %v", got, ok)
	}
	next := m.folder(dir)
	if next.captured.Previous != nil || next.Volumes[0].Reused > 0 {
		t.Errorf("previous %v, %d taken over", next.captured.Previous, next.Volumes[0].Reused)
	}
	if harmed := m.harmed(VerifyOptions{Full: true}); len(harmed) > 0 {
		t.Error(harmed)
	}
}

// path gives the file of what the machine knows.
func (m *machine) path(state string) string {
	return filepath.Join(state, m.ID().String()+".known")
}
