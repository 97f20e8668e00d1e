//go:build unix

package upgrade

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/volume"
)

func put(t *testing.T, path, content string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
}

func exchangeOf(t *testing.T, place, built string) Exchange {
	t.Helper()
	x, err := NewExchange(place, built)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func mustStand(t *testing.T, what, place string, x Exchange, stood, built bool) {
	t.Helper()
	if s, b := (disk{}).stands(place, x); s != stood || b != built {
		t.Errorf("%s: what stood stands: %t, what was built: %t", what, s, b)
	}
}

// TestStands tells a folder that was exchanged from one that was not, and from another, by the inode and not by names
// beside it.
func TestStands(t *testing.T) {
	dir := t.TempDir()
	place, built := filepath.Join(dir, "srv"), filepath.Join(dir, "srv.new-abcdef")
	put(t, place+"/catalogue", newData)
	put(t, built+"/catalogue", oldData)
	x := exchangeOf(t, place, built)
	mustStand(t, "at first", place, x, true, false)
	put(t, place+".before-20260314t020305z/catalogue", "of somebody else")
	mustStand(t, "with a dated name beside it", place, x, true, false)
	aside := place + ".before-20260314t020306z"
	if err := errors.Join(os.Rename(place, aside), os.Rename(built, place)); err != nil {
		t.Fatal(err)
	}
	mustStand(t, "exchanged", place, x, false, true)
	if got := (disk{}).kept(place, x); got != aside {
		t.Errorf("what stood is %q", got)
	}
	other := x
	other.Boot, other.Stood.Device, other.Built.Device = "of another boot", 7, 7
	mustStand(t, "after the machine started anew, with other numbers of devices", place, other, false, true)
	if err := os.Rename(place, built); err != nil {
		t.Fatal(err)
	}
	mustStand(t, "missing", place, x, false, false)
	put(t, place, "a file")
	mustStand(t, "another", place, x, false, false)
}

// TestStandsInMountPoint does that where the folder stays, and its entries come and go.
func TestStandsInMountPoint(t *testing.T) {
	place := t.TempDir()
	tree := filepath.Join(place, ".new-abcdef", "tree")
	put(t, place+"/catalogue", newData)
	put(t, tree+"/catalogue", oldData)
	x := exchangeOf(t, place, tree)
	if x.Built.Kind != kindEntries || len(x.Stood.Entries) != 1 {
		t.Fatalf("%+v", x)
	}
	mustStand(t, "at first", place, x, true, false)
	put(t, place+"/added", "since")
	mustStand(t, "with more", place, x, true, false)
	aside := place + "/.before-20260314t020305z"
	if err := errors.Join(os.Mkdir(aside, 0o700), os.Rename(place+"/catalogue", aside+"/catalogue"), os.Rename(tree+"/catalogue", place+"/catalogue")); err != nil {
		t.Fatal(err)
	}
	mustStand(t, "exchanged", place, x, false, true)
	if got := (disk{}).kept(place, x); got != "" { // it is no mount point here, where volume looks beside
		t.Errorf("what stood is %q", got)
	}
	put(t, place+"/other", "")
	if err := os.Rename(place+"/other", place+"/catalogue"); err != nil {
		t.Fatal(err)
	}
	mustStand(t, "another", place, x, false, false)
}

// TestStandsOfFile does that of a single file, and tidies what a kill left of it.
func TestStandsOfFile(t *testing.T) {
	place := filepath.Join(t.TempDir(), "single.toml")
	put(t, place, newData)
	put(t, place+".part", oldData)
	x := exchangeOf(t, place, place+".part")
	x.Part, x.Kept = place+".part", place+".before-20260314t020305z"
	if err := os.Link(place, x.Kept); err != nil { // killed between the two steps
		t.Fatal(err)
	}
	if err := (disk{}).order(place, x); err != nil {
		t.Fatal(err)
	}
	mustStand(t, "not exchanged", place, x, true, false)
	for _, path := range []string{x.Part, x.Kept} {
		if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s is left: %v", path, err)
		}
	}
	put(t, x.Part, oldData)
	x.Built = exchangeOf(t, place, x.Part).Built
	if err := errors.Join(os.Link(place, x.Kept), os.Rename(x.Part, place)); err != nil {
		t.Fatal(err)
	}
	if err := (disk{}).order(place, x); err != nil {
		t.Fatal(err)
	}
	mustStand(t, "exchanged", place, x, false, true)
	if got := (disk{}).kept(place, x); got != x.Kept {
		t.Errorf("what stood is %q", got)
	}
	if err := os.Remove(x.Kept); err != nil {
		t.Fatal(err)
	}
	if got := (disk{}).kept(place, x); got != "" {
		t.Errorf("what is gone is said to be %q", got)
	}
}

// TestFileRenamedAway: a single file that a kill left under the name it was to be kept by comes back into its place, and no
// other user's link decides where that is.
func TestFileRenamedAway(t *testing.T) {
	dir := t.TempDir()
	conf, bait := filepath.Join(dir, "conf"), filepath.Join(dir, "bait")
	place := filepath.Join(conf, "single.toml")
	put(t, place, newData)
	put(t, place+".part", oldData)
	x := exchangeOf(t, place, place+".part")
	x.Part, x.Kept = place+".part", place+".before-20260314t020305z"
	if err := os.Rename(place, x.Kept); err != nil {
		t.Fatal(err)
	}
	if err := (disk{}).order(place, x); err != nil {
		t.Fatal(err)
	}
	mustStand(t, "renamed away", place, x, true, false)
	if all, err := os.ReadDir(conf); err != nil || len(all) != 1 {
		t.Errorf("%v, %v", all, err)
	}
	if os.Geteuid() != 0 {
		t.Skip("needs root")
	}
	put(t, filepath.Join(bait, "single.toml.part"), "of root")
	if err := errors.Join(os.Rename(conf, conf+".old"), os.Symlink(bait, conf), os.Lchown(conf, 12345, 12345)); err != nil {
		t.Fatal(err)
	}
	if err := os.Link(filepath.Join(conf+".old", "single.toml"), filepath.Join(bait, "single.toml")); err != nil {
		t.Fatal(err)
	}
	if err := (disk{}).order(place, x); !errors.Is(err, volume.ErrForeignLink) {
		t.Errorf("a link of another user's was followed: %v", err)
	}
	if _, err := os.Stat(filepath.Join(bait, "single.toml.part")); err != nil {
		t.Error(err)
	}
}

// TestHalfExchanged puts a place in order that is missing in the middle of an exchange, before anything is asked of the
// engine.
func TestHalfExchanged(t *testing.T) {
	dir, state := t.TempDir(), filepath.Join(t.TempDir(), "state")
	place := filepath.Join(dir, "srv")
	put(t, place+"/catalogue", newData)
	var x Exchange
	killed := errors.New("killed")
	_, err := volume.ReplaceFolder(t.Context(), place, func(ctx context.Context, part *volume.Folder) error {
		var err error
		if x, err = NewExchange(place, part.Path()); err != nil {
			return err
		}
		return killed
	}, volume.ReplaceOptions{})
	if !errors.Is(err, killed) {
		t.Fatal(err)
	}
	// As RENAME_EXCHANGE is missing, and the process ended between two renames.
	if err := errors.Join(os.Rename(place, place+".before-20260314t020305z"), os.Mkdir(place+".new-20260314t020305z.7", 0o700)); err != nil {
		t.Fatal(err)
	}
	m := newMachine(t)
	u, _ := m.upgrader(state)
	u.ground = nil
	j, err := begin(state, Record{
		Step: Back, Container: "seedbank", Engine: "engine", Old: "c0", OldImage: "seedbank:4.1.0", Image: "seedbank:4.2.0", Capture: "k7f3", Touched: true,
		Repository: "/mnt/share/kist", Exchanges: map[string]Exchange{place: x},
	})
	if err != nil {
		t.Fatal(err)
	}
	j.release()
	m.how, m.at = failsBefore, 1 // the first that is asked of anybody
	u.Recover(t.Context(), Resuming{Again: true})
	if b, err := os.ReadFile(place + "/catalogue"); err != nil || string(b) != newData {
		t.Errorf("the place is not in order: %q, %v", b, err)
	}
}

// TestNeither: where a place holds something else by now, nothing is asked of the engine, and nothing done.
func TestNeither(t *testing.T) {
	place, state := filepath.Join(t.TempDir(), "srv"), filepath.Join(t.TempDir(), "state")
	put(t, place+"/catalogue", "of somebody else")
	m := newMachine(t)
	u, _ := m.upgrader(state)
	u.ground = nil
	x := Exchange{Stood: Tree{Kind: kindFolder, Inode: 1}, Built: Tree{Kind: kindFolder, Inode: 2}}
	j, err := begin(state, Record{Step: Back, Container: "seedbank", Engine: "engine", Old: "c0", Capture: "k7f3", Exchanges: map[string]Exchange{place: x}})
	if err != nil {
		t.Fatal(err)
	}
	j.release()
	err = u.Recover(t.Context(), Resuming{Again: true})
	var wrong *PlaceError
	if !errors.As(err, &wrong) || wrong.Place != place || m.n != 0 {
		t.Errorf("%d operations: %v", m.n, err)
	}
	if left := journals(t, state); len(left) != 1 {
		t.Errorf("%q", left)
	}
	said := &strings.Builder{}
	u, said = m.upgrader(state)
	if err := u.Recover(t.Context(), Resuming{}); err != nil || m.n != 0 || !strings.Contains(said.String(), "is open; kist resume") {
		t.Errorf("%v, %s", err, said)
	}
}

// TestStandsBoth: a mount point that holds of both what stood there and what was built, as in the middle of an exchange, is
// neither.
func TestStandsBoth(t *testing.T) {
	place := t.TempDir()
	tree := filepath.Join(place, ".new-abcdef", "tree")
	put(t, place+"/catalogue", newData)
	put(t, tree+"/index", oldData)
	x := exchangeOf(t, place, tree)
	if err := os.Rename(tree+"/index", place+"/index"); err != nil {
		t.Fatal(err)
	}
	mustStand(t, "half of each", place, x, false, false)
	if err := os.Remove(place + "/catalogue"); err != nil {
		t.Fatal(err)
	}
	mustStand(t, "one of them", place, x, false, true)
}

// TestStandsOnAnotherDevice: numbers of inodes are those of a device, and while the machine runs that is known by its number.
func TestStandsOnAnotherDevice(t *testing.T) {
	if bootID() == "" {
		t.Skip("nothing tells one run of the system from the next")
	}
	place := filepath.Join(t.TempDir(), "srv")
	put(t, place+"/catalogue", newData)
	put(t, place+".new-abcdef/catalogue", oldData)
	x := exchangeOf(t, place, place+".new-abcdef")
	x.Stood.Device++ // as where something else is mounted there by now
	mustStand(t, "another device", place, x, false, false)
	x.Boot = "of another boot"
	mustStand(t, "after the machine started anew", place, x, true, false)
}

// TestBusyPlaces: an upgrade does not begin where another one has its volumes, above or below, whatever both are called.
func TestBusyPlaces(t *testing.T) {
	dir := t.TempDir()
	at := func(old, name string, places ...string) Record {
		return Record{Step: Making, Began: time.Now(), Engine: "engine", Container: name, Old: old, Places: places}
	}
	j, err := begin(dir, at("c0", "seedbank", "/srv/seedbank/data", "/srv/config"))
	if err != nil {
		t.Fatal(err)
	}
	defer j.release()
	for place, free := range map[string]bool{
		"/srv/seedbank/data": false, "/srv/seedbank": false, "/srv/seedbank/data/in": false, "/srv/config": false,
		"/srv/seedbank/database": true, "/srv/other": true,
	} {
		other, err := begin(dir, at("c1", "mill", "/srv/mill", place))
		if free != (err == nil) || err != nil && !errors.Is(err, errBusy) {
			t.Errorf("%s: %v", place, err)
		}
		if other != nil {
			if err := errors.Join(other.end(), other.release()); err != nil {
				t.Fatal(err)
			}
		}
	}
}
