package store_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/volume"
)

const (
	// hostileMemory is how much the heap may grow while a hostile repository is
	// read: what the program may take for an honest one, and as much again for
	// garbage that is not collected yet.
	hostileMemory = 512 << 20
	// bombTime is after how long a path is told to stop that has no end of its own.
	bombTime = 25 * time.Millisecond
	// hangTime is how long it may go on after that. It is a backstop, far beyond
	// what anything takes.
	hangTime = 30 * time.Second
	// hostileOutput is how much a limited writer takes.
	hostileOutput = 64 << 20
)

// readingPath is a way in which a repository is read.
type readingPath struct {
	name string
	run  func(context.Context, *hostileReader) error
}

// hostileReader is a hostile repository being read.
type hostileReader struct {
	t        testing.TB
	st       *storage.Memory
	r        *store.Repository
	captures []*store.Capture
	dir      string // that holds the targets of restoring, and nothing else
}

// each calls use for all volumes, until it is told to stop, and joins the errors.
func (h *hostileReader) each(ctx context.Context, use func(*store.Volume) error) error {
	var errs []error
	for _, c := range h.captures {
		for i := range c.Volumes {
			if err := ctx.Err(); err != nil {
				return err
			}
			errs = append(errs, use(&c.Volumes[i]))
		}
	}
	return errors.Join(errs...)
}

// readingPaths: all public ways to read.
var readingPaths = []readingPath{
	{"captures", func(ctx context.Context, h *hostileReader) error {
		_, err := h.r.Captures(ctx)
		return err
	}},
	{"find", func(ctx context.Context, h *hostileReader) error {
		_, err := h.r.Find(ctx, "seedbank@latest")
		return err
	}},
	{"slots", func(ctx context.Context, h *hostileReader) error {
		_, err := h.r.Slots(ctx)
		return err
	}},
	{"members", func(ctx context.Context, h *hostileReader) error {
		return h.each(ctx, func(v *store.Volume) error {
			for _, err := range h.r.Members(ctx, v) {
				if err != nil {
					return err
				}
			}
			return nil
		})
	}},
	{"open member", func(ctx context.Context, h *hostileReader) error {
		return h.each(ctx, func(v *store.Volume) error { return h.openMembers(ctx, v) })
	}},
	{"FS", func(ctx context.Context, h *hostileReader) error {
		return h.each(ctx, func(v *store.Volume) error { return h.walkFS(ctx, v) })
	}},
	{"restore", func(ctx context.Context, h *hostileReader) error {
		return h.each(ctx, func(v *store.Volume) error {
			return h.r.Restore(ctx, v, io.Discard, store.RestoreOptions{})
		})
	}},
	{"restore to a full disk", func(ctx context.Context, h *hostileReader) error {
		return h.each(ctx, func(v *store.Volume) error {
			return h.r.Restore(ctx, v, &limitedWriter{hostileOutput}, store.RestoreOptions{})
		})
	}},
	{"restore members", func(ctx context.Context, h *hostileReader) error {
		return h.each(ctx, func(v *store.Volume) error {
			_, err := h.r.RestoreMembers(ctx, v, func(string) bool { return true }, io.Discard, store.RestoreOptions{})
			return err
		})
	}},
	{"restore some members", func(ctx context.Context, h *hostileReader) error {
		return h.each(ctx, func(v *store.Volume) error {
			_, err := h.r.RestoreMembers(ctx, v, func(p string) bool { return strings.HasPrefix(p, "link") }, io.Discard, store.RestoreOptions{})
			return err
		})
	}},
	{"extract", func(ctx context.Context, h *hostileReader) error {
		return h.each(ctx, func(v *store.Volume) error { return h.extract(ctx, v) })
	}},
	{"verify", func(ctx context.Context, h *hostileReader) error {
		return h.verify(ctx, store.VerifyOptions{})
	}},
	{"verify in full", func(ctx context.Context, h *hostileReader) error {
		return h.verify(ctx, store.VerifyOptions{Full: true})
	}},
	{"compare", func(ctx context.Context, h *hostileReader) error {
		for _, c := range h.captures {
			for _, err := range h.r.Compare(ctx, h.captures[0], c, store.CompareOptions{}) {
				if err != nil {
					return err
				}
			}
		}
		return nil
	}},
	{"usage", func(ctx context.Context, h *hostileReader) error {
		_, err := h.r.Usage(ctx)
		return err
	}},
	{"writers", func(ctx context.Context, h *hostileReader) error {
		_, err := h.r.Writers(ctx)
		return err
	}},
	{"retire and reclaim", func(ctx context.Context, h *hostileReader) error {
		var errs []error
		for _, c := range h.captures {
			errs = append(errs, h.r.Retire(ctx, []string{c.ID}, store.MarkOptions{}))
		}
		_, err := h.r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.5, DryRun: true})
		return errors.Join(append(errs, err)...)
	}},
	{"repair", func(ctx context.Context, h *hostileReader) error {
		_, err := h.r.Repair(ctx, store.RepairOptions{})
		return err
	}},
	{"repair and drop", func(ctx context.Context, h *hostileReader) error {
		_, err := h.r.Repair(ctx, store.RepairOptions{Drop: true})
		return err
	}},
	{"capture", func(ctx context.Context, h *hostileReader) error {
		_, err := h.r.Capture(ctx, store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{h.folder()}})
		return err
	}},
	{"rebuild tables", func(ctx context.Context, h *hostileReader) error {
		_, err := h.r.RebuildTables(ctx)
		return err
	}},
}

// priorSource is what hostile captures of a folder say that they were read from.
const priorSource = "/srv/seedbank"

// folder gives a small folder as a volume to capture.
func (h *hostileReader) folder() store.VolumeInput {
	dir := filepath.Join(h.t.TempDir(), "seedbank")
	if err := os.Mkdir(dir, 0o700); err != nil {
		h.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "catalogue"), []byte("beans"), 0o600); err != nil {
		h.t.Fatal(err)
	}
	return store.VolumeInput{Name: "data", Source: priorSource, Folder: &store.FolderInput{Path: dir}}
}

// verify fails where damage is found, too.
func (h *hostileReader) verify(ctx context.Context, o store.VerifyOptions) error {
	report, err := h.r.Verify(ctx, o)
	if err == nil && !report.OK {
		err = fmt.Errorf("%w: %d places", store.ErrDamaged, len(report.Damage))
	}
	return err
}

func (h *hostileReader) openMembers(ctx context.Context, v *store.Volume) error {
	var paths []string
	for m, err := range h.r.Members(ctx, v) {
		if err != nil || len(paths) == 8 {
			break
		}
		paths = append(paths, m.Path)
	}
	var errs []error
	for _, p := range paths {
		_, content, err := h.r.OpenMember(ctx, v, p)
		if err == nil {
			_, err = io.Copy(&limitedWriter{hostileOutput}, content)
			content.Close()
		}
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// extract restores into a folder as the program does. Nothing but the target may
// appear or change beside it.
func (h *hostileReader) extract(ctx context.Context, v *store.Volume) error {
	base, err := os.MkdirTemp(h.dir, "")
	if err != nil {
		return err
	}
	target := filepath.Join(base, "target")
	canary := filepath.Join(base, "canary")
	if err := errors.Join(os.Mkdir(target, 0o700), os.WriteFile(canary, []byte("untouched"), 0o600)); err != nil {
		return err
	}
	in, out := io.Pipe()
	go func() { out.CloseWithError(h.r.Restore(ctx, v, out, store.RestoreOptions{})) }()
	_, err = volume.Extract(ctx, io.LimitReader(in, hostileOutput), target, volume.ExtractOptions{})
	in.CloseWithError(errors.Join(errFull, err))
	names, globErr := filepath.Glob(filepath.Join(base, "*"))
	info, statErr := os.Lstat(canary)
	b, readErr := os.ReadFile(canary)
	if len(names) != 2 || string(b) != "untouched" || errors.Join(globErr, statErr, readErr) != nil || info.Mode() != 0o600 {
		h.t.Errorf("something changed outside of the target: %q, %q, %v", names, b, info)
	}
	return err
}

var errFull = errors.New("full")

// limitedWriter takes a number of bytes.
type limitedWriter struct{ left int }

func (w *limitedWriter) Write(p []byte) (int, error) {
	if w.left -= len(p); w.left < 0 {
		return 0, errFull
	}
	return len(p), nil
}

// heap gives the bytes of live and of uncollected objects.
func heap() uint64 {
	s := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}

// watch gives how much the heap grew at most while f ran. When it grows beyond all
// bounds it ends the test process, before the machine runs out of memory.
func watch(what string, f func()) uint64 {
	before := heap()
	var most atomic.Uint64
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for tick := time.NewTicker(5 * time.Millisecond); ; {
			select {
			case <-stop:
				tick.Stop()
				return
			case <-tick.C:
			}
			if now := heap(); now > before {
				most.Store(max(most.Load(), now-before))
			}
			if most.Load() > 12*hostileMemory {
				panic(what + ": the heap grows without bound")
			}
		}
	}()
	f()
	close(stop)
	<-stopped
	return most.Load()
}

// readAll runs every reading path over a repository. Each may fail, but neither
// panic, nor hang when it is told to stop, nor take much memory. It gives what each
// path ended with. After its limit a path is told to stop.
func (f *forge) readAll(t testing.TB, limit func(path string) time.Duration) map[string]error {
	t.Helper()
	outcomes := make(map[string]error)
	dir := t.TempDir()
	made := objects(t, f.mem)
	for _, p := range readingPaths {
		h := &hostileReader{t: t, st: memoryOf(t, made), dir: dir} // some write
		var err error
		grown := watch(p.name, func() { err = runPath(t, f, h, p, limit(p.name)) })
		if grown > hostileMemory {
			t.Errorf("%s: the heap grew by %d MiB", p.name, grown>>20)
		}
		outcomes[p.name] = err
	}
	return outcomes
}

// runPath opens the repository afresh, and runs one path with a limit on time.
func runPath(t testing.TB, f *forge, h *hostileReader, p readingPath, limit time.Duration) error {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	done := make(chan error, 1)
	go func() {
		defer func() {
			if v := recover(); v != nil {
				done <- fmt.Errorf("%w: %v\n%s", errPanic, v, stack())
			}
		}()
		var err error
		h.r, err = store.Open(ctx, h.st, f.key, store.OpenOptions{})
		if err != nil {
			done <- err
			return
		}
		defer h.r.Close()
		h.captures, _ = h.r.Captures(ctx) // those that are not damaged
		done <- p.run(ctx, h)
	}()
	select {
	case err := <-done:
		if errors.Is(err, errPanic) {
			t.Errorf("%s: %v", p.name, err)
		}
		return err
	case <-time.After(limit + hangTime):
		t.Errorf("%s: goes on though it was told to stop\n%s", p.name, allStacks())
		return errHang
	}
}

var (
	errPanic = errors.New("panic")
	errHang  = errors.New("hang")
)

func stack() []byte { return debug.Stack() }

func allStacks() []byte {
	b := make([]byte, 1<<20)
	return b[:runtime.Stack(b, true)]
}
