//go:build unix

package stopped

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// fake is an engine with one container, seedbank.
type fake struct {
	running  bool
	policy   string
	restarts int
	name     string // if it has another one
	other    bool   // there is another container seedbank by now
	gone     bool
	stopping bool
	broken   bool
	did      []string // beside looking
	onStop   func()   // called as it is asked to stop; or nil
}

// Run implements engine.Runner without a process.
func (f *fake) Run(ctx context.Context, args []string, _ io.Reader, stdout, stderr io.Writer) error {
	if args[0] == "stop" && f.onStop != nil {
		f.onStop()
	}
	if args[0] != "inspect" {
		if err := ctx.Err(); err != nil { // as one whose process was ended
			return err
		}
		f.did = append(f.did, args[0])
		if f.broken {
			return errors.New("exit status 125")
		}
	}
	switch args[0] {
	case "inspect":
		name := cmp.Or(f.name, "seedbank")
		last := args[len(args)-1]
		named := last == "id-seedbank" || last == name
		if f.gone || !named && !f.other {
			fmt.Fprintln(stderr, "no such container")
			return errors.New("exit status 125")
		}
		if !named {
			return json.NewEncoder(stdout).Encode([]any{map[string]any{"Id": "id-other", "Name": last}})
		}
		if f.stopping {
			return json.NewEncoder(stdout).Encode([]any{map[string]any{"Id": "id-seedbank", "Name": name, "State": map[string]any{"Status": "stopping"}}})
		}
		return json.NewEncoder(stdout).Encode([]any{map[string]any{"Id": "id-seedbank", "Name": name, "State": map[string]any{"Running": f.running},
			"RestartCount": f.restarts, "HostConfig": map[string]any{"RestartPolicy": map[string]any{"Name": f.policy}}}})
	case "stop":
		f.running, f.stopping = false, false
	case "start":
		f.running = true
	default:
		return fmt.Errorf("unknown command %q", args)
	}
	return nil
}

// newKeeper gives a keeper of a container that runs.
func newKeeper(t *testing.T) (*Keeper, Target, *fake, *bytes.Buffer) {
	t.Helper()
	f, stderr, notes := &fake{running: true}, &bytes.Buffer{}, filepath.Join(t.TempDir(), "kist")
	if err := os.Mkdir(notes, 0o700); err != nil {
		t.Fatal(err)
	}
	k := &Keeper{
		Screen: screen.New(io.Discard, stderr), Folder: func() (string, error) { return notes, nil },
		Engine: func(program string) *engine.Engine { return engine.NewWith(program, f) },
	}
	e := k.Engine("engine")
	found, err := e.Inspect(t.Context(), "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	return k, Target{found, e}, f, stderr
}

// mustRun sees that the container runs, and that no note is left.
func mustRun(t *testing.T, k *Keeper, f *fake) {
	t.Helper()
	dir, _ := k.Folder()
	if left, _ := os.ReadDir(dir); !f.running || len(left) > 0 {
		t.Errorf("running: %t, notes: %v", f.running, left)
	}
}

// TestPanicWhileStopped: even then the container is started again.
func TestPanicWhileStopped(t *testing.T) {
	k, c, f, _ := newKeeper(t)
	func() {
		defer func() {
			if recover() == nil {
				t.Error("no panic")
			}
		}()
		k.While(t.Context(), c, func(context.Context) error {
			if f.running {
				t.Error("it is not stopped")
			}
			panic("a fault")
		})
	}()
	mustRun(t, k, f)
}

// TestNoteOfAnotherRun: what a run that goes on keeps stopped is left alone; what one that
// was killed kept stopped is started.
func TestNoteOfAnotherRun(t *testing.T) {
	k, c, f, stderr := newKeeper(t)
	h, err := k.Halt(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	if err := k.StartLeft(t.Context()); err != nil || f.running {
		t.Errorf("running %t, %v", f.running, err)
	}
	if _, err := k.Halt(t.Context(), c); err == nil {
		t.Error("two runs keep one container stopped")
	}
	h.note.release() // as the system does when a run is killed
	stderr.Reset()
	if err := k.StartLeft(t.Context()); err != nil || stderr.Len() == 0 {
		t.Errorf("%v, and it says %q", err, stderr)
	}
	mustRun(t, k, f)
}

// TestNoteOfRestore: a container that a restore left stopped is not started, since half of
// its data may be new.
func TestNoteOfRestore(t *testing.T) {
	k, c, f, stderr := newKeeper(t)
	h, err := k.HaltToRestore(t.Context(), c, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	h.note.release()
	stderr.Reset()
	if err := k.StartLeft(t.Context()); err != nil || stderr.Len() == 0 || f.running {
		t.Errorf("running %t, %v, and it says %q", f.running, err, stderr)
	}
	left, err := k.TakeLeft(c)
	if err != nil || left == nil {
		t.Fatalf("%v, %v", left, err)
	}
	if err := left.Release(); err != nil {
		t.Error(err)
	}
	if left, err = k.TakeLeft(c); err != nil || left == nil {
		t.Fatalf("released: %v, %v", left, err)
	}
	if left.Covers([]string{"/data"}) {
		t.Error("of which mounts is not known, as of a note of an earlier release, and yet these are all")
	}
	if err := left.Start(t.Context()); err != nil {
		t.Error(err)
	}
	mustRun(t, k, f)
	if left, err := k.TakeLeft(c); err != nil || left != nil {
		t.Errorf("started: %v, %v", left, err)
	}
}

// TestHalfRestored: a container into which a restore was killed is known as such until one comes to its end, be it one that
// stood before, which is not started by that.
func TestHalfRestored(t *testing.T) {
	for _, ran := range []bool{true, false} {
		k, c, f, stderr := newKeeper(t)
		f.running = ran
		c.Running = ran
		h, err := k.HaltToRestore(t.Context(), c, []string{"/srv/seedbank"}, []string{"/data", "/notes"})
		if err != nil || h == nil {
			t.Fatal(h, err)
		}
		half := func(want int) {
			t.Helper()
			all, err := k.HalfRestored()
			if err != nil || len(all) != want || want > 0 && (all[0].ID != c.ID || all[0].Places[0] != "/srv/seedbank") {
				t.Errorf("ran %t: %+v, %v", ran, all, err)
			}
		}
		half(1) // at work
		h.note.release()
		half(1)
		c.Running = false
		if again, err := k.HaltToRestore(t.Context(), c, nil, nil); again != nil || err != nil {
			t.Errorf("ran %t: another restore: %v, %v", ran, again, err)
		}
		stderr.Reset()
		if err := k.StartLeft(t.Context()); err != nil || f.running || stderr.Len() == 0 {
			t.Errorf("ran %t: running %t, %v", ran, f.running, err)
		}
		left, err := k.TakeLeft(c)
		if err != nil || left == nil || left.Ran() != ran || left.Covers([]string{"/data"}) || !left.Covers([]string{"/notes", "/data", "/more"}) {
			t.Fatal(left, err)
		}
		if err := left.Start(t.Context()); err != nil || f.running != ran {
			t.Errorf("ran %t: running %t, %v", ran, f.running, err)
		}
		half(0)
		f.running, c.Running = false, false
		if h, err = k.HaltToRestore(t.Context(), c, nil, nil); err != nil {
			t.Fatal(err)
		}
		if err := h.Resume(t.Context()); err != nil || f.running {
			t.Errorf("what stood is started: %v", err)
		}
		half(0)
	}
}

// TestMustStand: what something else starts is told, and a restore is not begun then.
func TestMustStand(t *testing.T) {
	k, c, f, _ := newKeeper(t)
	if err := c.MustStand(t.Context(), StartedMeanwhile); err == nil || !strings.Contains(err.Error(), StartedMeanwhile) {
		t.Errorf("while it was captured: %v", err)
	}
	c.Running, f.running = false, true
	if h, err := k.HaltToRestore(t.Context(), c, nil, nil); h != nil || err == nil {
		t.Errorf("before it was restored: %v, %v", h, err)
	}
	if half, err := k.HalfRestored(); len(half) > 0 || err != nil {
		t.Errorf("nothing was restored: %v, %v", half, err)
	}
}

// TestLeave: what would start on half of the data stays stopped, and the note of it stays.
func TestLeave(t *testing.T) {
	k, c, f, _ := newKeeper(t)
	h, err := k.HaltToRestore(t.Context(), c, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	var down *DownError
	if err := h.Leave(); !errors.As(err, &down) || f.running {
		t.Errorf("running %t: %v", f.running, err)
	}
	if half, err := k.HalfRestored(); len(half) != 1 || err != nil {
		t.Errorf("%v, %v", half, err)
	}
}

// TestBadNotes: a note that makes no sense is said, and nothing is done.
func TestBadNotes(t *testing.T) {
	for text, name := range map[string]string{
		"":                               "stopped-a.json",
		"{":                              "stopped-b.json",
		`{"id":"id-seedbank"}`:           "stopped-c.json",
		`{"id":"../x","engine":"false"}`: "stopped-d.json",
	} {
		k, _, f, _ := newKeeper(t)
		f.running = false
		dir, _ := k.Folder()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := k.StartLeft(t.Context()); err == nil || f.running {
			t.Errorf("%q: running %t, %v", text, f.running, err)
		}
		if _, err := os.Stat(path); err != nil {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// TestStartedByPolicy: what the engine starts by a restart policy is not called a service manager's doing, nor the other way
// round.
func TestStartedByPolicy(t *testing.T) {
	for _, test := range []struct {
		policy   string
		restarts int
		want     string
	}{{"", 0, "service manager"}, {"always", 0, "service manager"}, {"always", 3, "by its restart policy always"}} {
		_, target, f, _ := newKeeper(t)
		f.policy, f.restarts = test.policy, test.restarts
		if err := target.MustStand(t.Context(), "it runs"); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%+v: %v", test, err)
		}
	}
}

// TestInterrupted: an interrupt cuts short neither a stop nor the start that undoes it. While it is looked at what came of the
// stop, it counts.
func TestInterrupted(t *testing.T) {
	k, c, f, _ := newKeeper(t)
	ctx, cancel := context.WithCancel(t.Context())
	f.onStop = cancel
	if h, err := k.Halt(ctx, c); h != nil || !errors.Is(err, context.Canceled) {
		t.Errorf("%v, %v", h, err)
	}
	mustRun(t, k, f)
	if did := strings.Join(f.did, " "); did != "stop start" {
		t.Errorf("it did %s", did)
	}
}

// TestHalfRestoredOther: what a restore left of one container says nothing of another.
func TestHalfRestoredOther(t *testing.T) {
	k, c, f, _ := newKeeper(t)
	f.running, c.Running = false, false
	other := &note{Container: "herbarium", ID: "id-herbarium", Restoring: true}
	if _, err := k.put(other); err != nil {
		t.Fatal(err)
	}
	other.release()
	h, err := k.HaltToRestore(t.Context(), c, nil, nil)
	if err != nil || h == nil {
		t.Fatalf("%v, %v", h, err)
	}
	if half, err := k.HalfRestored(); err != nil || len(half) != 2 {
		t.Errorf("%+v, %v", half, err)
	}
}

// TestStartLeft: what runs already, or is gone, is left alone; what is about to end is waited for.
func TestStartLeft(t *testing.T) {
	for name, test := range map[string]struct {
		fake fake
		want string // what is done
	}{
		"stands":   {fake{}, "start"},
		"runs":     {fake{running: true}, ""},
		"gone":     {fake{gone: true}, ""},
		"stopping": {fake{stopping: true}, "stop start"},
	} {
		k, c, f, _ := newKeeper(t)
		n, err := k.put(newNote(c))
		if err != nil {
			t.Fatal(err)
		}
		n.release()
		*f = test.fake
		if err := k.StartLeft(t.Context()); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if did := strings.Join(f.did, " "); did != test.want {
			t.Errorf("%s: it did %q, not %q", name, did, test.want)
		}
		dir, _ := k.Folder()
		if left, _ := os.ReadDir(dir); len(left) > 0 {
			t.Errorf("%s: %v is left", name, left)
		}
	}
}

// TestNamesStayInTheirLines: a name that somebody gave a container makes no lines of its own in what is said of it.
func TestNamesStayInTheirLines(t *testing.T) {
	const name = "seedbank\n\x1b[2Jall is well"
	k, c, f, _ := newKeeper(t)
	c.Name, f.name = name, name
	f.policy, f.restarts = "always\nno", 3
	running := c.MustStand(t.Context(), "it runs")
	f.restarts = 0
	byOthers := c.MustStand(t.Context(), "it runs")
	h, err := k.HaltToRestore(t.Context(), c, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	left := h.Leave()
	f.broken = true
	h, err = (&Keeper{Screen: k.Screen, Engine: k.Engine, Folder: func() (string, error) { return t.TempDir(), nil }}).Halt(t.Context(), c)
	for what, err := range map[string]error{"started again": running, "started": byOthers, "left": left, "down": err} {
		if err == nil || strings.ContainsAny(err.Error(), "\x1b") || strings.Contains(err.Error(), "\nall") || strings.Contains(err.Error(), "seedbank\n") || strings.Contains(err.Error(), "always\n") {
			t.Errorf("%s: %q, %v", what, err, h)
		}
	}
}
