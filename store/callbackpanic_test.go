package store_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/volume"
)

var errWeevils = errors.New("weevils")

// panicsAt gives a call of each thing that the package calls of its callers, which panics. What
// there is, reflection finds: see callbacksOf.
func panicsAt(t *testing.T, f *fixture, c *store.Capture) map[string]func() error {
	ctx, v := t.Context(), &c.Volumes[0]
	volumes := []*store.Volume{v}
	dir := t.TempDir()
	source := filepath.Join(dir, "source")
	if err := errors.Join(os.Mkdir(source, 0o700), os.WriteFile(filepath.Join(source, "bean"), []byte("1998"), 0o600)); err != nil {
		t.Fatal(err)
	}
	progress := func(store.Progress) { panic(errWeevils) }
	match := func(string) bool { panic(errWeevils) }
	restore := func(o store.FolderOptions) func() error {
		return func() error {
			target := filepath.Join(dir, "restored")
			got, err := f.RestoreFolder(ctx, volumes, target, o)
			if entries, _ := os.ReadDir(dir); got != nil || len(entries) != 1 {
				t.Errorf("it gave %+v and left %v", got, entries)
			}
			return err
		}
	}
	capture := func(in store.VolumeInput, o store.CaptureOptions) func() error {
		return func() error {
			in.Name, o.Name = "data", "seedbank"
			o.Volumes = []store.VolumeInput{in}
			c, err := f.Capture(ctx, o)
			if c != nil {
				t.Errorf("it captured %v", c)
			}
			return err
		}
	}
	opens := func(s io.ReadCloser) store.VolumeInput {
		return store.VolumeInput{Open: func(context.Context) (io.ReadCloser, error) { return s, nil }}
	}
	folder := func(in store.FolderInput) store.VolumeInput {
		in.Path = source
		return store.VolumeInput{Folder: &in}
	}
	content := bytes.NewReader(random(3, 3<<20))
	return map[string]func() error{
		"CaptureOptions.Progress":            capture(stream([]byte("bean")), store.CaptureOptions{Progress: progress}),
		"CaptureOptions.CheckBefore":         capture(stream([]byte("bean")), store.CaptureOptions{CheckBefore: func(*store.Capture) error { panic(errWeevils) }}),
		"VolumeInput.Open":                   capture(store.VolumeInput{Open: func(context.Context) (io.ReadCloser, error) { panic(errWeevils) }}, store.CaptureOptions{}),
		"Read of VolumeInput.Open's stream":  capture(opens(panicking{Reader: io.MultiReader(content, panicking{})}), store.CaptureOptions{}),
		"Close of VolumeInput.Open's stream": capture(opens(panicking{Reader: strings.NewReader("bean")}), store.CaptureOptions{}),
		"FolderInput.Now":                    capture(folder(store.FolderInput{Now: func() time.Time { panic(errWeevils) }}), store.CaptureOptions{}),
		"ReadOptions.OnEntry":                capture(folder(store.FolderInput{Options: volume.ReadOptions{OnEntry: func(string, int64) { panic(errWeevils) }}}), store.CaptureOptions{}),
		"RestoreOptions.Progress":            func() error { return f.Restore(ctx, v, io.Discard, store.RestoreOptions{Progress: progress}) },
		"Write of the writer":                func() error { return f.Restore(ctx, v, panicking{}, store.RestoreOptions{}) },
		"WriteHole of the writer": func() error {
			holes, err := f.Capture(ctx, store.CaptureOptions{Volumes: []store.VolumeInput{stream(tarOf(t, file{name: "hole", content: make([]byte, 8<<20)}))}})
			if err != nil {
				return err
			}
			_, err = f.RestoreMembers(ctx, &holes.Volumes[0], func(string) bool { return true }, panickingHoles{}, store.RestoreOptions{})
			return err
		},
		"RestoreMembers: match": func() error {
			_, err := f.RestoreMembers(ctx, v, match, io.Discard, store.RestoreOptions{})
			return err
		},
		"RestoreWhole: match": func() error {
			l, err := f.FindLosses(ctx, v, nil)
			if err == nil {
				_, err = f.RestoreWhole(ctx, l, match, io.Discard, store.RestoreOptions{})
			}
			return err
		},
		"LeastSize: match": func() error {
			_, err := f.LeastSize(ctx, v, match)
			return err
		},
		"FindMembers: match": func() error {
			_, err := f.FindMembers(ctx, []*store.Capture{c}, match, store.FindOptions{})
			return err
		},
		"CompareOptions.Wanted": func() error {
			return last2(f.Compare(ctx, c, f.capture([]byte("bean")), store.CompareOptions{Wanted: match}))
		},
		"FindLosses: progress": func() error {
			_, err := f.FindLosses(ctx, v, progress)
			return err
		},
		"FolderOptions.Match":    restore(store.FolderOptions{Match: match}),
		"FolderOptions.Progress": restore(store.FolderOptions{Progress: progress}),
		"FolderOptions.Aside":    restore(store.FolderOptions{Aside: func(volume.Identity) error { panic(errWeevils) }}),
		"SendOptions.Progress": func() error {
			spool, err := f.OpenSpool(ctx, storage.NewMemory(), store.OpenOptions{})
			if err != nil {
				return err
			}
			defer spool.Close()
			c, err := spool.Capture(ctx, store.CaptureOptions{Volumes: []store.VolumeInput{stream(random(13, 100_000))}})
			if err == nil {
				c, err = spool.Send(ctx, c, f.Repository, store.SendOptions{Progress: progress})
			}
			if err != nil && c != nil {
				t.Errorf("it sent %v", c)
			}
			return err
		},
		"ProveDraft: progress": func() error {
			in := stream(tarOf(t, file{name: "oat", content: random(12, 100_000)}))
			in.Name = "data"
			d, err := f.Draft(ctx, store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{in}})
			if err != nil {
				return err
			}
			return f.ProveDraft(ctx, d, progress)
		},
		"FolderOptions.Now": func() error {
			target := filepath.Join(dir, "replaced")
			if err := errors.Join(os.Mkdir(target, 0o700), os.WriteFile(filepath.Join(target, "old"), nil, 0o600)); err != nil {
				return err
			}
			got, err := f.RestoreFolder(ctx, volumes, target, store.FolderOptions{Replace: true, Now: func() time.Time { panic(errWeevils) }})
			if old, _ := filepath.Glob(filepath.Join(dir, "*", "old")); len(old) != 1 {
				t.Errorf("it gave %+v, and what was there is %v", got, old)
			}
			return err
		},
		"VerifyOptions.Progress": func() error {
			_, err := f.Verify(ctx, store.VerifyOptions{Progress: progress})
			return err
		},
		"AgainstOptions.Progress": func() error {
			other, err := store.CreateReplica(ctx, storage.NewMemory(), f.Repository, f.key, store.ReplicaOptions{})
			if err != nil {
				return err
			}
			defer other.Close()
			_, err = f.VerifyAgainst(ctx, other, store.AgainstOptions{Progress: progress})
			return err
		},
		"RepairOptions.Progress": func() error {
			_, err := f.Repair(ctx, store.RepairOptions{Progress: progress})
			return err
		},
		"ReclaimOptions.Progress": func() error {
			half := f.capture(append(random(9, 3<<20), random(10, 3<<20)...))
			f.capture(random(9, 3<<20))
			if err := f.Retire(ctx, []string{half.ID}, store.MarkOptions{}); err != nil {
				return err
			}
			_, err := f.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace, Progress: progress})
			return err
		},
		"ReclaimOptions.Waiting": func() error {
			f.prepareRemoval(random(11, 3<<20))
			_, err := f.Reclaim(ctx, store.ReclaimOptions{Waiting: func(time.Duration) { panic(errWeevils) }})
			return err
		},
		"ReclaimOptions.CantRemove": func() error {
			locked := newFixture(t)
			locked.prepareRemoval(random(11, 3<<20))
			locked.lock().locked = func(storage.Info) bool { return true }
			_, err := locked.Reclaim(ctx, store.ReclaimOptions{CantRemove: func() { panic(errWeevils) }})
			return err
		},
		"ToDeltasOptions.Begin": func() error {
			old, _, _ := aged(t, 1, 5)
			old.setDeltas(store.DeltasOn)
			_, err := old.Reclaim(ctx, store.ReclaimOptions{ToDeltas: &store.ToDeltasOptions{Begin: func(int, int64) { panic(errWeevils) }}})
			return err
		},
		"ReplicateOptions.Progress": func() error {
			to, err := store.CreateReplica(ctx, storage.NewMemory(), f.Repository, f.key, store.ReplicaOptions{})
			if err != nil {
				return err
			}
			defer to.Close()
			_, err = f.Replicate(ctx, to, store.ReplicateOptions{Progress: progress})
			if writers, listing := to.Writers(ctx); listing != nil || len(writers) != 0 {
				t.Errorf("at work there since: %v, %v", writers, listing)
			}
			return err
		},
		"UnlockOptions.Check": func() error {
			_, err := store.Open(ctx, f.mem, f.key, store.OpenOptions{Unlock: crypt.UnlockOptions{Check: func(*crypt.RootKey) error { panic(errWeevils) }}})
			return err
		},
		"OpenOptions.Warn": func() error {
			state := filepath.Join(source, "bean") // no folder
			r, err := store.Open(ctx, f.mem, f.key, store.OpenOptions{State: state, Warn: func(error) { panic(errWeevils) }})
			if err != nil {
				return err
			}
			if _, err := r.List(ctx); err != nil {
				t.Errorf("List after a warning that panicked: %v", err)
			}
			return r.Close()
		},
	}
}

// panicking panics when it has no Reader, when it is written to, and when it is closed.
type panicking struct{ io.Reader }

func (p panicking) Read(b []byte) (int, error) {
	if p.Reader == nil {
		panic(errWeevils)
	}
	return p.Reader.Read(b)
}
func (panicking) Write([]byte) (int, error) { panic(errWeevils) }
func (panicking) Close() error              { panic(errWeevils) }

// panickingHoles takes bytes, and panics at a hole.
type panickingHoles struct{}

func (panickingHoles) Write(b []byte) (int, error) { return len(b), nil }
func (panickingHoles) WriteHole(int64) error       { panic(errWeevils) }

// Whatever of the caller's panics, in whatever goroutine, ends the call with a CallbackPanic and not
// the process. Nothing is captured, restored or harmed by that.
func TestCallbackPanics(t *testing.T) {
	for name := range panicsAt(t, newFixture(t), &store.Capture{Volumes: make([]store.Volume, 1)}) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			bubble(t, func(t *testing.T, f *fixture) {
				c := f.capture(tarOf(t, file{name: "catalogue", content: random(1, 100_000)}, file{name: "photo", content: random(2, 100_000)}))
				err := panicsAt(t, f, c)[name]()
				var p *store.CallbackPanic
				if !errors.As(err, &p) {
					t.Fatalf("%v", err)
				}
				if _, parameter, ok := strings.Cut(name, ": "); p.Callback != name && !(ok && p.Callback == parameter) {
					t.Errorf("it is said to be %q", p.Callback)
				}
				if p.Value != errWeevils || !errors.Is(err, errWeevils) || !bytes.Contains(p.Stack, []byte("callbackpanic_test.go")) {
					t.Errorf("it tells %v, at\n%s", p.Value, p.Stack)
				}
				if errors.Is(err, context.Canceled) {
					t.Errorf("nobody ended it: %v", err)
				}
				if writers, err := f.Writers(t.Context()); err != nil || len(writers) != 0 {
					t.Errorf("at work since: %v, %v", writers, err)
				}
			})
		})
	}
}

// Each function and each interface that the API takes is in panicsAt.
func TestCallbacksAreKnown(t *testing.T) {
	known := panicsAt(t, newFixture(t), &store.Capture{Volumes: make([]store.Volume, 1)})
	known["Open: storage.Storage"], known["Create: storage.Storage"] = nil, nil             // these must not panic, says CallbackPanic
	known["OpenSpool: storage.Storage"], known["BringManifest: storage.Storage"] = nil, nil // nor must these
	found := callbacksOf(t)
	if len(found) < 20 {
		t.Errorf("only %d found: %v", len(found), found)
	}
	for _, name := range found {
		if _, ok := known[name]; !ok {
			t.Errorf("%s is called, and what it does if that panics is not tested", name)
		}
	}
}

// callbacksOf gives the names of what package store calls of its callers: functions and interfaces
// among the parameters, and in structs that parameters are or lead to.
func callbacksOf(t *testing.T) (found []string) {
	seen := make(map[reflect.Type]bool)
	add := func(name string) { found = append(found, name) }
	var look func(reflect.Type)
	look = func(kind reflect.Type) {
		switch kind.Kind() {
		case reflect.Pointer, reflect.Slice, reflect.Map:
			look(kind.Elem())
		case reflect.Struct:
			if seen[kind] {
				return
			}
			seen[kind] = true
			for i := range kind.NumField() {
				field := kind.Field(i)
				switch {
				case !field.IsExported():
				case field.Type.Kind() == reflect.Func:
					name := kind.Name() + "." + field.Name
					add(name)
					for out := range field.Type.Outs() {
						if out.Kind() == reflect.Interface && out != reflect.TypeFor[error]() {
							for m := range out.NumMethod() {
								add(out.Method(m).Name + " of " + name + "'s stream")
							}
						}
					}
				case field.Type.Kind() == reflect.Interface && field.Type != reflect.TypeFor[error]():
					add(kind.Name() + "." + field.Name)
				default:
					look(field.Type)
				}
			}
		}
	}
	parameters := map[string]string{"func(string) bool": "match", "func(store.Progress)": "progress"}
	lookAt := func(name string, function reflect.Value) {
		for in := range function.Type().Ins() {
			switch {
			case in == reflect.TypeFor[context.Context](), in == reflect.TypeFor[crypt.Secret](): // our own
			case in == reflect.TypeFor[io.Writer]():
				add("Write of the writer")
			case in.Kind() == reflect.Func:
				add(name + ": " + parameters[in.String()])
			case in.Kind() == reflect.Interface:
				add(name + ": " + in.String())
			default:
				look(in)
			}
		}
	}
	for name, method := range methodsOf((*store.Repository)(nil)) {
		lookAt(name, method)
	}
	lookAt("Open", reflect.ValueOf(store.Open))
	lookAt("Create", reflect.ValueOf(store.Create))
	for m := range reflect.TypeFor[store.HoleWriter]().NumMethod() {
		if name := reflect.TypeFor[store.HoleWriter]().Method(m).Name; name != "Write" {
			add(name + " of the writer")
		}
	}
	return found
}
