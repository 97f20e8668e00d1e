package upgrade

import (
	"errors"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
)

// TestRefusedRemoval: where other containers depend on one of the two, and the engine changes no restart policies and refuses
// to remove it, exactly one version runs all the same, under the service's name, on its own data; also where the new one fails.
func TestRefusedRemoval(t *testing.T) {
	for _, hidden := range []bool{false, true} { // nothing tells ahead that others depend on it
		for name, bad := range map[string]bool{"well": false, "ruins the data": true} {
			m := newPolicyMachine(t, "always")
			m.anyPolicy, m.bad, m.hidden = true, bad, hidden
			m.needed = map[string]bool{"c0": true, "c1": true}
			dir := t.TempDir()
			u, said := m.upgrader(dir)
			_, err := m.upgrade(t.Context(), u)
			if (err != nil) != (bad || hidden) || len(journals(t, dir)) > 0 {
				t.Errorf("%v, %q", err, journals(t, dir))
			}
			m.mustBeWhole(t)
			if t.Failed() {
				t.Fatalf("%s, hidden %t: %v\n%s", name, hidden, err, said)
			}
		}
	}
}

// TestRefusedRemovalUndo: so it is with an undo.
func TestRefusedRemovalUndo(t *testing.T) {
	for _, hidden := range []bool{false, true} {
		m := newPolicyMachine(t, "always")
		dir := t.TempDir()
		u, _ := m.upgrader(dir)
		if _, err := m.upgrade(t.Context(), u); err != nil {
			t.Fatal(err)
		}
		c, err := u.Engine("engine").Inspect(t.Context(), "seedbank")
		if err != nil {
			t.Fatal(err)
		}
		m.anyPolicy, m.hidden, m.needed = true, hidden, map[string]bool{c.ID: true}
		u, said := m.upgrader(dir)
		done, err := u.Made(c)
		if err == nil {
			_, err = u.Undo(t.Context(), u.Engine("engine"), c, done, fakeData{m})
		}
		if err != nil || len(journals(t, dir)) > 0 {
			t.Errorf("%v, %q", err, journals(t, dir))
		}
		if m.mustBeWhole(t); m.find("seedbank").image != "seedbank:4.1.0" || t.Failed() {
			t.Fatalf("hidden %t\n%s", hidden, said)
		}
	}
}

// TestSpentIsRefused: a journal that says what was to take the place of a container which can't be removed comes to its end:
// nothing waits for that.
func TestSpentIsRefused(t *testing.T) {
	m := newPolicyMachine(t, "always")
	m.anyPolicy, m.needed = true, map[string]bool{"c0": true}
	m.containers["c0"].running = false
	m.containers["c7"] = &fakeContainer{id: "c7", name: "seedbank-again-x", image: "seedbank:4.1.0", policy: "no", labels: map[string]string{labelUpgrade: "c0", "shelf": "north", engine.LabelImage: "seedbank:4.1.0"}}
	dir := t.TempDir()
	u, said := m.upgrader(dir)
	j, err := begin(dir, Record{
		Step: Captured, Engine: "engine", Container: "seedbank", Old: "c7", OldImage: "seedbank:4.1.0", Image: "seedbank:4.2.0", Key: "c0", Policy: "always",
		Before: "seedbank-before-x", Again: "seedbank-again-x", Spent: &Spent{"c0", "seedbank", "c7"}, Repository: "/mnt/share/kist",
	})
	if err != nil {
		t.Fatal(err)
	}
	// As a journal is named that began with c0.
	if err := errors.Join(os.Rename(journalPath(dir, "c7"), journalPath(dir, "c0")), j.release()); err != nil {
		t.Fatal(err)
	}
	if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil || len(journals(t, dir)) > 0 {
		t.Errorf("%v, %q\n%s", err, journals(t, dir), said)
	}
	if m.mustBeWhole(t); !slices.Equal(names(m), []string{"seedbank"}) || m.containers["c0"] == nil {
		t.Errorf("%q", names(m))
	}
}

// TestOwnLayerIsSaid: what the new version wrote into its own container is named where that is made once more.
func TestOwnLayerIsSaid(t *testing.T) {
	for _, wrote := range []bool{false, true} {
		m := newPolicyMachine(t, "always")
		m.wrote, m.anyPolicy = wrote, true
		u, said := m.upgrader(t.TempDir())
		if _, err := m.upgrade(t.Context(), u); err != nil {
			t.Fatal(err)
		}
		_, after, _ := strings.Cut(said.String(), "Starting seedbank once more")
		if strings.Contains(after, "wrote into its own container, outside of its volumes, while it was watched is gone with that: /etc/seedbank.conf.") != wrote {
			t.Error(said)
		}
	}
}
