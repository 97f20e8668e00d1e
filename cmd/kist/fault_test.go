package main

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/trees"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/files"
)

// lockedBuffer is written to by several goroutines.
type lockedBuffer struct {
	mu sync.Mutex
	bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.Buffer.Write(p)
}

// bench is a repository with a key file, in a folder of its own.
type bench struct {
	t      *testing.T
	dir    string
	stdout bytes.Buffer
	stderr lockedBuffer
	place  func(path string) files.Place // of the repository, if it is set
	engine engine.Runner                 // of containers, if it is set
	cache  string                        // KIST_CACHE
	known  string                        // KIST_STATE
	stride int64                         // of interruptAll, if it is set
}

func newBench(t *testing.T) *bench {
	t.Helper()
	b := &bench{t: t, dir: t.TempDir(), cache: "off", known: t.TempDir()}
	b.must("setup")
	if err := os.Mkdir(b.path("seedbank"), 0o700); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"catalogue.dat", "accessions.txt", "seedbank.toml"} {
		if err := os.WriteFile(b.path("seedbank", name), bytes.Repeat([]byte(name), 20_000), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return b
}

func (b *bench) path(parts ...string) string {
	return filepath.Join(append([]string{b.dir}, parts...)...)
}

func (b *bench) run(ctx context.Context, args ...string) int {
	b.stdout.Reset()
	b.stderr.Reset()
	env := map[string]string{
		"KIST_REPOSITORY": b.path("repo"), "KIST_KEY_FILE": b.path("key"), "XDG_STATE_HOME": b.path("state"), "KIST_CACHE": b.cache, "KIST_STATE": b.known,
	}
	a := newApp(strings.NewReader(""), &b.stdout, &b.stderr, func(key string) string { return env[key] })
	a.tty = noTerminal
	if b.place != nil {
		a.place = b.place
	}
	if b.engine != nil {
		a.engine = func(program string) *engine.Engine { return engine.NewWith(program, b.engine) }
	}
	return a.run(ctx, args)
}

func (b *bench) must(args ...string) {
	b.t.Helper()
	if status := b.run(b.t.Context(), args...); status != statusDone {
		b.t.Fatalf("kist %q: status %d: %s%s", args, status, &b.stdout, &b.stderr)
	}
}

// names lists the folder.
func (b *bench) names() string {
	b.t.Helper()
	entries, err := os.ReadDir(b.dir)
	if err != nil {
		b.t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return strings.Join(names, " ")
}

// countdown is a context that ends when it has been looked at left times.
type countdown struct {
	context.Context
	cancel context.CancelFunc
	left   atomic.Int64
}

func newCountdown(ctx context.Context, n int64) *countdown {
	ctx, cancel := context.WithCancel(ctx)
	c := &countdown{Context: ctx, cancel: cancel}
	c.left.Store(n)
	return c
}

func (c *countdown) Err() error {
	c.look()
	return c.Context.Err()
}

func (c *countdown) Done() <-chan struct{} {
	c.look()
	return c.Context.Done()
}

func (c *countdown) look() {
	if c.left.Add(-1) < 0 {
		c.cancel()
	}
}

// interruptAll runs a command again and again, interrupted ever later, until it
// comes to its end, in steps that are stride on average. With -short it takes larger ones.
// check looks at what an interrupted one left.
func (b *bench) interruptAll(check func(), args ...string) {
	b.t.Helper()
	stride := max(b.stride, 1)
	if testing.Short() {
		stride *= 4
	}
	for n := int64(0); ; n += 1 + rand.Int64N(2*stride-1) {
		ctx := newCountdown(b.t.Context(), n)
		status := b.run(ctx, args...)
		ctx.cancel()
		if status == statusDone {
			if n == 0 {
				b.t.Errorf("kist %q never looked at its context", args)
			}
			return
		}
		if status != statusFailed || !strings.Contains(b.stderr.String(), "interrupted") {
			b.t.Fatalf("kist %q: status %d: %s%s", args, status, &b.stdout, &b.stderr)
		}
		check()
	}
}

// TestInterrupted: wherever a command is interrupted, nothing is left half done.
func TestInterrupted(t *testing.T) {
	b := newBench(t)
	before := b.names()
	unchanged := func() {
		t.Helper()
		if got := b.names(); got != before {
			t.Fatalf("%q was left, not %q", got, before)
		}
	}
	b.interruptAll(func() {
		t.Helper()
		unchanged()
		b.must("list", "--json")
		if got := b.stdout.String(); got != "[]\n" {
			t.Fatalf("a capture appeared: %s", got)
		}
	}, "capture", b.path("seedbank"))
	b.interruptAll(unchanged, "restore", "latest", "--into", b.path("out"))
	if _, err := trees.Compare(b.path("seedbank"), b.path("out")); err != nil {
		t.Error(err)
	}
	before = b.names()
	b.interruptAll(unchanged, "restore", "latest", "--tar", b.path("out.tar"))
	before = b.names()
	live := b.path("out")
	if err := os.WriteFile(b.path("out", "own.txt"), []byte("kept"), 0o600); err != nil {
		t.Fatal(err)
	}
	liveAsItWas := func() {
		t.Helper()
		unchanged()
		own := b.path("out", "own.txt")
		err := errors.Join(os.Remove(own), sameTime(b.path("seedbank"), live), compareTo(b.path("seedbank"), live), os.WriteFile(own, []byte("kept"), 0o600))
		if err != nil {
			t.Fatal(err)
		}
	}
	b.interruptAll(liveAsItWas, "restore", "latest", "--into", live, "--replace", "--only", "accessions.txt", "--discard-previous")
	liveAsItWas()
	b.interruptAll(liveAsItWas, "restore", "latest", "--into", live, "--replace", "--discard-previous")
	if err := compareTo(b.path("seedbank"), live); err != nil {
		t.Error(err)
	}
	unchanged()
	b.interruptAll(unchanged, "setup", "--repository", b.path("second"), "--key-file", b.path("second.key"))
	b.must("verify", "--full")
}

// sameTime gives a folder the time of another.
func sameTime(as, folder string) error {
	info, err := os.Stat(as)
	if err != nil {
		return err
	}
	return os.Chtimes(folder, info.ModTime(), info.ModTime())
}

func compareTo(want, got string) error {
	_, err := trees.Compare(want, got)
	return err
}

// TestInterruptSignal: one interrupt ends the process in good order, even while
// standard input gives nothing.
func TestInterruptSignal(t *testing.T) {
	b := newBench(t)
	cmd := exec.Command("kist", "capture", "--name", "seedbank", "-")
	cmd.Env = append(os.Environ(), "KIST_CACHE=off", "KIST_STATE="+b.known, "KIST_REPOSITORY="+b.path("repo"), "KIST_KEY_FILE="+b.path("key"))
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer stdin.Close()
	if _, err := stdin.Write(make([]byte, 1<<20)); err != nil { // more than a pipe holds: it is being read
		t.Fatal(err)
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Skip(err) // not on this system
	}
	err = cmd.Wait()
	if cmd.ProcessState.ExitCode() != statusFailed {
		t.Errorf("%v: %s", err, &stderr)
	}
	for _, want := range []string{"Stopping, and tidying up", "kist: interrupted"} {
		if !strings.Contains(stderr.String(), want) {
			t.Errorf("no %q in %q", want, &stderr)
		}
	}
	b.must("list", "--json")
	if got := b.stdout.String(); got != "[]\n" {
		t.Error(got)
	}
}

// silent is a stream that gives nothing, ever; read tells that it was asked.
type silent struct{ read func() }

func (s silent) Read([]byte) (int, error) {
	s.read()
	select {}
}

// TestInterruptSilence: even the first read of standard input can be interrupted.
func TestInterruptSilence(t *testing.T) {
	b := newBench(t)
	ctx, cancel := context.WithCancel(t.Context())
	env := map[string]string{"KIST_REPOSITORY": b.path("repo"), "KIST_KEY_FILE": b.path("key"), "KIST_STATE": b.known}
	a := newApp(silent{cancel}, &b.stdout, &b.stderr, func(key string) string { return env[key] })
	if status := a.run(ctx, []string{"capture", "--name", "seedbank", "-"}); status != statusFailed {
		t.Errorf("status %d", status)
	}
}

// TestHostileVolumeNames: a volume's name from a repository leads nowhere.
func TestHostileVolumeNames(t *testing.T) {
	b := newBench(t)
	env := map[string]string{"KIST_REPOSITORY": b.path("repo"), "KIST_KEY_FILE": b.path("key"), "KIST_STATE": b.known}
	a := newApp(nil, &b.stdout, &b.stderr, func(key string) string { return env[key] })
	r, err := a.open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	tree := &sources.Source{Path: b.path("seedbank"), Kind: sources.Folder, Name: "../../tree"}
	other := &sources.Source{Path: b.path("seedbank"), Kind: sources.Folder, Name: "other"}
	plain := &sources.Source{Path: b.path("seedbank", "seedbank.toml"), Name: "../../plain"}
	for name, volumes := range map[string][]store.VolumeInput{
		"tree":  {tree.Input(), other.Input()},
		"plain": {plain.Input()},
	} {
		if _, err := r.Capture(t.Context(), store.CaptureOptions{Name: name, Volumes: volumes}); err != nil {
			t.Fatal(err)
		}
		before := b.names()
		if status := b.run(t.Context(), "restore", name+"@latest", "--into", b.path("out")); status != statusFailed {
			t.Errorf("%s: status %d: %s", name, status, &b.stderr)
		}
		if got := b.names(); got != before {
			t.Errorf("%s: %q was left, not %q", name, got, before)
		}
	}
}

// TestFolderWarnings: what is not in the capture is said.
func TestFolderWarnings(t *testing.T) {
	b := newBench(t)
	l, err := net.Listen("unix", b.path("seedbank", "s"))
	if err != nil {
		t.Skip(err)
	}
	defer l.Close()
	b.must("capture", "--quiet", b.path("seedbank"))
	if got := b.stderr.String(); !strings.HasPrefix(got, "Warning: volume seedbank: s: ") {
		t.Error(got)
	}
	v := store.Volume{Name: "seedbank", Warnings: []string{"a\x1b: it grew"}, Changed: 1}
	want := []string{`volume seedbank: a\x1b: it grew`, "volume seedbank: 1 file changed while being read. Was the service stopped?"}
	if got := volumeWarnings(&v); !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
}
