//go:build unix

package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// opened opens the bench's repository as an upgrade does.
func (b *bench) opened() *upgradeData {
	b.t.Helper()
	env := map[string]string{
		"KIST_REPOSITORY": b.path("repo"), "KIST_KEY_FILE": b.path("key"), "XDG_STATE_HOME": b.path("state"), "KIST_CACHE": "off", "KIST_STATE": b.known, "KIST_ENGINE": "no-such-engine",
	}
	a := newApp(strings.NewReader(""), &b.stdout, &b.stderr, func(key string) string { return env[key] })
	r, err := a.open(b.t.Context())
	if err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() { r.Close() })
	return &upgradeData{app: a, r: r}
}

// TestPutBackFile: a single file comes back with its mode and owner; what was there is kept, and that the exchange is on the
// disk is certain before anybody is told of it.
func TestPutBackFile(t *testing.T) {
	b := newBench(t)
	file := b.path("seedbank", "seedbank.toml")
	b.must("capture", "--name", "seedbank", file)
	if err := errors.Join(os.WriteFile(file, []byte("of the new version"), 0o600), os.Chmod(file, 0o640)); err != nil {
		t.Fatal(err)
	}
	owner := os.Geteuid()
	if owner == 0 {
		owner = 12345
		if err := os.Chown(file, owner, owner); err != nil {
			t.Fatal(err)
		}
	}
	d := b.opened()
	capture, err := d.app.find(t.Context(), d.r, "latest")
	if err != nil {
		t.Fatal(err)
	}
	p := &puttingBack{
		containerRestore: &containerRestore{restoring: &restoring{app: d.app, r: d.r}}, exchanges: make(map[string]upgrade.Exchange), untouched: true, of: &upgrade.Record{},
		files: []volumePlace{{&capture.Volumes[0], file}},
	}
	var order []string
	was := flushSite
	flushSite = func(s *volume.FileSite) error {
		order = append(order, "flush "+filepath.Dir(s.Path()))
		return was(s)
	}
	defer func() { flushSite = was }()
	p.do = upgrade.Deeds{
		Stop: func(context.Context) error { order = append(order, "stop"); return nil },
		Note: func(all map[string]upgrade.Exchange) {
			order = append(order, "note")
			if x := all[file]; x.Stood.Inode == 0 || x.Built.Inode == 0 || x.Stood.Inode == x.Built.Inode || x.Part == "" {
				t.Errorf("%+v", x)
			}
		},
		Kept: func(place, path string) {
			order = append(order, "kept "+filepath.Base(path)[:len("seedbank.toml.before")])
		},
	}
	if err := p.run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if want := "stop, note, flush " + filepath.Dir(file) + ", kept seedbank.toml.before"; strings.Join(order, ", ") != want {
		t.Errorf("%q, not %q", order, want)
	}
	is, err := os.Stat(file)
	if err != nil || is.Mode() != 0o640 || is.Size() != 260_000 || int(is.Sys().(*syscall.Stat_t).Uid) != owner {
		t.Errorf("%v, %v", is, err)
	}
	kept, _ := filepath.Glob(file + ".before-*")
	if len(kept) != 1 {
		t.Fatalf("%q", kept)
	}
	if was, err := os.ReadFile(kept[0]); err != nil || string(was) != "of the new version" {
		t.Errorf("%q, %v", was, err)
	}
}

// TestPutBackThroughLink: a folder that another user put a link in the place of, after the capture, ends it before anything is
// stopped, and nothing is written where that leads; so does a link in the place of the file itself.
func TestPutBackThroughLink(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs root")
	}
	for _, itself := range []bool{false, true} {
		b := newBench(t)
		conf, bait := b.path("seedbank"), b.path("bait")
		file := filepath.Join(conf, "seedbank.toml")
		b.must("capture", "--name", "seedbank", file)
		if err := errors.Join(os.Mkdir(bait, 0o700), os.WriteFile(filepath.Join(bait, "seedbank.toml"), []byte("of root"), 0o600)); err != nil {
			t.Fatal(err)
		}
		link, leads := conf, bait
		if itself {
			link, leads = file, filepath.Join(bait, "seedbank.toml")
		}
		if err := errors.Join(os.Rename(link, link+".old"), os.Symlink(leads, link), os.Lchown(link, 12345, 12345)); err != nil {
			t.Fatal(err)
		}
		d := b.opened()
		capture, err := d.app.find(t.Context(), d.r, "latest")
		if err != nil {
			t.Fatal(err)
		}
		p := &puttingBack{
			containerRestore: &containerRestore{restoring: &restoring{app: d.app, r: d.r}}, exchanges: make(map[string]upgrade.Exchange), untouched: true,
			files: []volumePlace{{&capture.Volumes[0], file}},
		}
		p.do = upgrade.Deeds{
			Stop: func(context.Context) error { t.Error("it was stopped"); return nil },
			Note: func(map[string]upgrade.Exchange) {}, Kept: func(string, string) {},
		}
		if err := p.run(t.Context()); !errors.Is(err, volume.ErrForeignLink) {
			t.Errorf("itself %t: %v", itself, err)
		}
		if was, err := os.ReadFile(filepath.Join(bait, "seedbank.toml")); err != nil || string(was) != "of root" {
			t.Errorf("itself %t: %q, %v", itself, was, err)
		}
		if all, err := os.ReadDir(bait); err != nil || len(all) != 1 {
			t.Errorf("itself %t: %v, %v", itself, all, err)
		}
		if err := checkSingleFile(file, "/etc/single.toml"); !errors.Is(err, volume.ErrForeignLink) || !strings.Contains(err.Error(), "--exclude-mount /etc/single.toml") {
			t.Errorf("itself %t: ahead: %v", itself, err)
		}
	}
}

// TestKeptBesideLink: one user's link in the place of a folder that was restored into hides nothing else, and is no failure.
func TestKeptBesideLink(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs root")
	}
	b := newBench(t)
	b.must("capture", "--name", "seedbank", b.path("seedbank"))
	for _, home := range []string{"mallory", "seeds"} {
		if err := os.MkdirAll(b.path(home, "data", "old"), 0o755); err != nil {
			t.Fatal(err)
		}
		b.must("restore", "latest", "--into", b.path(home, "data"), "--replace")
	}
	if err := errors.Join(os.Rename(b.path("mallory"), b.path("away")), os.Symlink("/etc", b.path("mallory")), os.Lchown(b.path("mallory"), 12345, 12345)); err != nil {
		t.Fatal(err)
	}
	b.must("kept")
	if listed := b.stdout.String(); !strings.Contains(listed, "data.before-") || strings.Contains(listed, "mallory") {
		t.Error(listed)
	}
	if said := b.stderr.String(); !strings.Contains(said, "what may be set aside for "+b.path("mallory", "data")+" is not listed") {
		t.Error(said)
	}
	if status := b.run(t.Context(), "kept", b.path("mallory", "data")); status == statusDone {
		t.Error("a place that was asked for is passed over")
	}
}

// TestUntouched: a failure before the first exchange says so, at whatever step; one behind it does not.
func TestUntouched(t *testing.T) {
	b := newBench(t)
	b.must("capture", "--name", "seedbank", b.path("seedbank"))
	refused := errors.New("refused")
	for name, test := range map[string]struct {
		stop error
		harm bool
		kept map[string]string
		want bool // untouched
	}{
		"it can't be stopped":     {stop: refused, want: true},
		"the capture is harmed":   {harm: true, want: true},
		"another was exchanged":   {stop: refused, kept: map[string]string{"/elsewhere": ""}},
		"nothing is wrong at all": {},
	} {
		t.Run(name, func(t *testing.T) {
			if test.harm {
				slabs, _ := filepath.Glob(b.path("repo", "slabs", "*"))
				for _, path := range slabs {
					away := b.path(filepath.Base(path))
					if err := os.Rename(path, away); err != nil {
						t.Fatal(err)
					}
					defer os.Rename(away, path)
				}
			}
			d := b.opened()
			stopped := false
			captured, err := d.app.find(t.Context(), d.r, "latest")
			if err != nil {
				t.Fatal(err)
			}
			r := &upgrade.Record{Capture: captured.ID, Up: "true", Places: []string{b.path("seedbank")}, Kept: test.kept}
			err = d.Restore(t.Context(), r, upgrade.Deeds{
				Stop: func(context.Context) error { stopped = true; return test.stop }, Note: func(map[string]upgrade.Exchange) {}, Kept: func(string, string) {},
			})
			if errors.Is(err, upgrade.ErrUntouched) != test.want || (err == nil) != (test.stop == nil && !test.harm) || stopped == test.harm {
				t.Errorf("stopped %t: %v", stopped, err)
			}
			if test.harm && !errors.Is(err, store.ErrDamaged) {
				t.Errorf("%v", err)
			}
		})
	}
}

// TestNeedsAddUp: what is to be built on one file system is added up before it is compared with what is free.
func TestNeedsAddUp(t *testing.T) {
	b := newBench(t)
	if err := os.CopyFS(b.path("second"), os.DirFS(b.path("seedbank"))); err != nil {
		t.Fatal(err)
	}
	b.must("capture", "--name", "seedbank", b.path("seedbank"), b.path("second"))
	d := b.opened()
	capture, err := d.app.find(t.Context(), d.r, "latest")
	if err != nil {
		t.Fatal(err)
	}
	s := &restoring{app: d.app, r: d.r}
	one, err := s.leastSize(t.Context(), &capture.Volumes[0])
	if err != nil || one == 0 {
		t.Fatal(one, err)
	}
	needs, err := s.needs(t.Context(), []destination{
		{[]*store.Volume{&capture.Volumes[0]}, b.path("a", "new"), true}, {[]*store.Volume{&capture.Volumes[1]}, b.path("b"), true},
	})
	if err != nil || len(needs) > 1 {
		t.Fatalf("%v, %v", needs, err)
	}
	for _, n := range needs {
		if n.bytes != 2*one {
			t.Errorf("%d bytes, not twice %d", n.bytes, one)
		}
	}
}
