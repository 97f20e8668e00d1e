package store_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"sync"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// newSpool gives a spool of a repository, which verifies in full after the test.
func (f *fixture) newSpool() *fixture {
	f.t.Helper()
	s := &fixture{t: f.t, mem: storage.NewMemory(), key: f.key}
	var err error
	if s.Repository, err = f.OpenSpool(f.t.Context(), s.mem, store.OpenOptions{}); err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { s.Close() })
	return s
}

// send sends a capture, and tests that all that was known of it is known of it there.
func (f *fixture) send(c *store.Capture, to *fixture) *store.Capture {
	f.t.Helper()
	sent, err := f.Send(f.t.Context(), c, to.Repository, store.SendOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	f.checkSent(c, sent, to)
	return sent
}

func (f *fixture) checkSent(c, sent *store.Capture, to *fixture) {
	f.t.Helper()
	if sent.ID != c.ID || sent.Name != c.Name || sent.Version != c.Version || sent.Host != c.Host || !sent.Taken.Equal(c.Taken) ||
		!sent.Written.Equal(c.Written) || !reflect.DeepEqual(sent.Labels, c.Labels) || sent.Bytes != c.Bytes || sent.Members != c.Members {
		f.t.Errorf("sent %+v, there is %+v", c, sent)
	}
	for i := range c.Volumes {
		a, b := &c.Volumes[i], &sent.Volumes[i]
		if a.Digests() != b.Digests() || a.SHA256 != b.SHA256 || a.Name != b.Name || a.Source != b.Source || !reflect.DeepEqual(a.Warnings, b.Warnings) {
			f.t.Errorf("sent volume %+v, there is %+v", a, b)
		}
	}
	if !bytes.Equal(f.restore(c), to.restore(sent)) {
		f.t.Error("what was sent restores otherwise")
	}
}

// TestSend: what is sent is the same capture; what is known there adds nothing; and a folder is taken over from it.
func TestSend(t *testing.T) {
	for _, apart := range ways {
		f := newFixtureOf(t, store.CreateOptions{Apart: apart})
		known := tarOf(t, file{name: "catalogue", content: random(1, 300_000)}, file{name: "hole", content: make([]byte, 8<<20)}, file{name: "bean", content: []byte("bean")})
		f.capture(known)
		s := f.newSpool()
		if sent := s.send(s.capture(known), f); sent.Added > 8_000 {
			t.Errorf("%q: what was known there adds %d bytes", apart, sent.Added)
		}
		more := s.capture(tarOf(t, file{name: "catalogue", content: random(1, 300_000)}, file{name: "journal", content: random(2, 200_000)}, file{name: "hole", content: make([]byte, 9<<20)}))
		if sent := s.send(more, f); sent.Added < 200_000 || sent.Added > 230_000 {
			t.Errorf("%q: 200,000 new bytes add %d", apart, sent.Added)
		}
		again, err := s.Send(t.Context(), more, f.Repository, store.SendOptions{})
		if err != nil {
			t.Fatal(err)
		}
		s.checkSent(more, again, f)
		if all, err := f.Captures(t.Context()); err != nil || len(all) != 3 {
			t.Errorf("%d captures, %v", len(all), err)
		}
	}
}

// TestSendFolder: files are taken over from a folder's capture that was sent, as from one that was captured there.
func TestSendFolder(t *testing.T) {
	f := newFixture(t)
	s, dir := f.newSpool(), sampleFolder(t)
	sent := s.send(s.captureFolder(dir, false), f)
	f.checkFolder(sent, dir)
	if next := f.captureFolder(dir, false); next.Volumes[0].Reused == 0 || next.Added > 8_000 {
		t.Errorf("the next capture takes %d members over, and adds %d bytes", next.Volumes[0].Reused, next.Added)
	}
	write(t, filepath.Join(dir, "new"), random(7, 50_000))
	next := s.captureFolder(dir, false)
	if next.Volumes[0].Reused == 0 {
		t.Error("the spool takes nothing over")
	}
	f.checkFolder(s.send(next, f), dir)
}

// naming counts how often each name is used for an object.
type naming struct {
	storage.Storage
	mu    sync.Mutex
	names map[string]int
}

func (n *naming) use(name string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.names[name]++
}

func (n *naming) Put(ctx context.Context, name string, content io.Reader) error {
	n.use(name)
	return n.Storage.Put(ctx, name, content)
}

func (n *naming) Mark(ctx context.Context, name string, content []byte) error {
	n.use(name)
	return n.Storage.Mark(ctx, name, content)
}

func (n *naming) twice() (names []string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for name, times := range n.names {
		if times > 1 {
			names = append(names, name)
		}
	}
	return names
}

// TestSendFaults makes every storage call of a sending go wrong in turn, on both sides. Afterwards nothing half is listed, and sending
// again works, with one capture there, and without using the name of any object again: what is put under a name whose put failed
// may still be on its way (package storage, Put).
func TestSendFaults(t *testing.T) {
	content := tarOf(t, file{name: "catalogue", content: random(1, 300_000)})
	points := 0
	for i, effect := range []storagetest.Effect{storagetest.Fail, storagetest.FailAfter, storagetest.Fail, storagetest.FailAfter} {
		for k, fired := 0, true; fired; k++ {
			f := newFixtureOf(t, store.CreateOptions{Parity: i / 2 * 3})
			s := f.newSpool()
			c := s.capture(content)
			named := &naming{Storage: f.mem, names: map[string]int{}}
			faulty := storagetest.NewFaulty(named)
			r, err := store.Open(t.Context(), faulty, f.key, store.OpenOptions{})
			if err != nil {
				t.Fatal(err)
			}
			faulty.Reset()
			faulty.Inject(storagetest.Fault{From: k, Effect: effect})
			_, err = s.Send(t.Context(), c, r, store.SendOptions{})
			fired = faulty.Calls(storagetest.Any) > k
			if err != nil && !errors.Is(err, storagetest.ErrInjected) {
				t.Fatalf("call %d: %v", k, err)
			}
			r.Close()
			f.reopen()
			f.verify(t.Context())
			again, err := store.Open(t.Context(), named, f.key, store.OpenOptions{})
			if err != nil {
				t.Fatal(err)
			}
			sent, err := s.Send(t.Context(), c, again, store.SendOptions{Tried: 1})
			if err != nil {
				t.Fatal(err)
			}
			s.checkSent(c, sent, &fixture{t: t, Repository: again})
			if twice := named.twice(); len(twice) > 0 {
				t.Fatalf("call %d: %q were used twice", k, twice)
			}
			again.Close()
			if all, err := f.Captures(t.Context()); err != nil || len(all) != 1 {
				t.Fatalf("call %d: %d captures, %v", k, len(all), err)
			}
			s.Close()
			f.Close()
			points++
		}
	}
	if points < 20 {
		t.Errorf("only %d calls: are faults injected?", points)
	}
}

// TestSendWithParity: what is sent to a place whose slabs get parity gets some there, and is read through it.
func TestSendWithParity(t *testing.T) {
	f := newFixtureOf(t, store.CreateOptions{Parity: 3})
	s := f.newSpool()
	sent := s.send(s.capture(tarOf(t, file{name: "catalogue", content: random(1, 300_000)})), f)
	if n, err := s.Parity(t.Context()); n != 0 || err != nil {
		t.Errorf("the spool has parity of %d %%, %v", n, err)
	}
	slabs, want := listed(t, f.mem, "slabs"), f.restore(sent)
	for _, info := range slabs {
		if err := flip(t.Context(), f.mem, info, int(info.Size)/3, 50); err != nil {
			t.Fatal(err)
		}
	}
	f.reopen()
	if got := f.restore(mustFind(f, sent.ID)); !bytes.Equal(got, want) {
		t.Error("read through parity it is something else")
	}
	if out, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil || len(out.Renewed) != len(slabs) {
		t.Errorf("repaired: %+v, %v", out, err)
	}
	if all := listed(t, f.mem, "spare"); len(all) != 4 {
		t.Errorf("second copies: %d, and not of kist.json, a key slot, a table and an index file", len(all))
	}
}

// listed gives the objects of a folder.
func listed(t *testing.T, st storage.Storage, folder string) []storage.Info {
	t.Helper()
	infos, err := st.List(t.Context(), folder)
	if err != nil {
		t.Fatal(err)
	}
	return infos
}

// TestSendDamaged: what does not rebuild what was captured is not committed.
func TestSendDamaged(t *testing.T) {
	f := newFixture(t)
	s := f.newSpool()
	s.harmed = true
	c := s.capture(random(1, 300_000))
	slabs, err := s.mem.List(t.Context(), "slabs")
	if err != nil || len(slabs) == 0 {
		t.Fatal(err)
	}
	flipByte(s.mem, slabs[0].Name)
	again := &fixture{t: t, mem: s.mem, key: f.key, harmed: true}
	if again.Repository, err = store.Open(t.Context(), s.mem, f.key, store.OpenOptions{}); err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	if sent, err := again.Send(t.Context(), mustFind(again, c.ID), f.Repository, store.SendOptions{}); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("sent %v, %v", sent, err)
	}
	if all, err := f.Captures(t.Context()); err != nil || len(all) != 0 {
		t.Errorf("%d captures, %v", len(all), err)
	}
}

// TestSpoolSlots: what opens the repository opens the spool, once that was opened beside the repository; a slot that is removed goes from
// the spool where it is removed there, too.
func TestSpoolSlots(t *testing.T) {
	f := newFixture(t)
	s := f.newSpool()
	s.Close()
	other := crypt.NewKeyFile()
	slot, err := f.AddSlot(t.Context(), other, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	opens := func(secret crypt.Secret, want error) {
		t.Helper()
		r, err := store.Open(t.Context(), s.mem, secret, store.OpenOptions{})
		if !errors.Is(err, want) {
			t.Errorf("%v, not %v", err, want)
		}
		if err == nil {
			r.Close()
		}
	}
	beside := func() {
		t.Helper()
		r, err := f.OpenSpool(t.Context(), s.mem, store.OpenOptions{})
		if err != nil {
			t.Fatal(err)
		}
		r.Close()
	}
	opens(f.key, nil)
	opens(other, store.ErrWrongSecret)
	beside()
	opens(other, nil)
	if err := f.RemoveSlot(t.Context(), slot.ID()); err != nil {
		t.Fatal(err)
	}
	beside()
	opens(other, nil) // somebody else may have removed it there
	again, err := f.OpenSpool(t.Context(), s.mem, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if err := again.RemoveSlot(t.Context(), slot.ID()); err != nil {
		t.Fatal(err)
	}
	again.Close()
	beside()
	opens(other, store.ErrWrongSecret)
	opens(f.key, nil)
	stranger := newFixture(t)
	if _, err := stranger.OpenSpool(t.Context(), s.mem, store.OpenOptions{}); !errors.Is(err, store.ErrExists) {
		t.Errorf("the spool of another repository: %v", err)
	}
	if _, err := s.Send(t.Context(), nil, f.Repository, store.SendOptions{}); !errors.Is(err, store.ErrClosed) {
		t.Error(err)
	}
	foreign := stranger.capture([]byte("bean"))
	if _, err := stranger.Send(t.Context(), foreign, f.Repository, store.SendOptions{}); !errors.Is(err, store.ErrForeign) {
		t.Errorf("to another repository: %v", err)
	}
}

// TestSendDeltas: what is sent is said by what the capture before has in its place in the repository, so that there is nothing to
// store anew.
func TestSendDeltas(t *testing.T) {
	v := random(1, 400_000)
	dir, renamed := t.TempDir(), "data"
	elsewhere := func(f *fixture, volume string, b []byte) *store.Capture { // each time in a folder of another path, as a snapshot may be
		path := f.t.TempDir()
		if err := os.WriteFile(filepath.Join(path, "a"), b, 0o600); err != nil {
			f.t.Fatal(err)
		}
		c, err := f.Capture(f.t.Context(), store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{{
			Name: volume, Source: path, Folder: &store.FolderInput{Path: path, Now: later},
		}}})
		if err != nil {
			f.t.Fatal(err)
		}
		return c
	}
	for name, capture := range map[string]func(f *fixture, b []byte) *store.Capture{
		"another folder": func(f *fixture, b []byte) *store.Capture { return elsewhere(f, "data", b) },
		"another name": func(f *fixture, b []byte) *store.Capture {
			renamed += "again"
			return elsewhere(f, renamed, b)
		},
		"stream": func(f *fixture, b []byte) *store.Capture { return f.capture(tarOf(t, file{name: "a", content: b})) },
		"folder": func(f *fixture, b []byte) *store.Capture {
			if err := os.WriteFile(filepath.Join(dir, "a"), b, 0o600); err != nil {
				t.Fatal(err)
			}
			return f.captureFolder(dir, false)
		},
	} {
		t.Run(name, func(t *testing.T) {
			f := newFixtureOf(t, withDeltas(store.DeltasOn))
			s := f.newSpool()
			s.send(capture(s, v), f)
			before := f.stored()
			s.send(capture(s, edited(v, 5000, 1)), f)
			// Nearly all chunks find what they are like, by cuts that differ by key.
			if added := f.stored() - before; added > 150_000 {
				t.Errorf("%d bytes are added", added)
			}
			if depth, _ := deepest(f.frames()); depth == 0 {
				t.Error("nothing is said by what was there")
			}
			if out := f.reclaim(store.ReclaimOptions{DryRun: true, ToDeltas: &store.ToDeltasOptions{}}); out.ToDeltas.Left > 0 {
				t.Errorf("%d slabs would be stored anew that were put with deltas", out.ToDeltas.Left)
			}
		})
	}
}
