package store_test

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/fstest"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// slotNames gives the key slots there are.
func slotNames(t testing.TB, st storage.Storage) (found []string) {
	t.Helper()
	for name := range objects(t, st) {
		if strings.HasPrefix(name, "keyslots/") {
			found = append(found, name)
		}
	}
	slices.Sort(found)
	return found
}

// The slots of the golden repository are of version 1: each is made anew by who opens it.
func TestRenewSlot(t *testing.T) {
	for name, secret := range map[string]crypt.Secret{"key file": goldenKey(t), "passphrase": passphraseOf(t, goldenPassphrase)} {
		t.Run(name, func(t *testing.T) {
			mem := memoryOf(t, goldenCopy(t))
			r, err := store.Open(t.Context(), mem, secret, store.OpenOptions{})
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			old := opened(t, r)
			if old.Slot.Version() != 1 || old.Standing != store.SlotProven {
				t.Fatalf("opened by %+v: that tests nothing", old)
			}
			if _, err := r.RenewSlot(t.Context(), crypt.NewKeyFile()); !errors.Is(err, store.ErrWrongSecret) && !errors.Is(err, crypt.ErrSecretKind) {
				t.Errorf("with another secret: %v", err)
			}
			if !slices.Equal(slotNames(t, mem), slotNames(t, memoryOf(t, goldenCopy(t)))) {
				t.Error("a wrong secret changed something")
			}
			renewed, err := r.RenewSlot(t.Context(), secret)
			if err != nil || renewed == nil {
				t.Fatalf("%v, %v", renewed, err)
			}
			is := opened(t, r)
			if is.ID != renewed.ID() || is.ID == old.ID || is.Standing != store.SlotProven || is.Slot.Version() != crypt.SlotVersion ||
				is.Slot.Label() != old.Slot.Label() || !is.Slot.Made().Equal(old.Slot.Made()) || is.Slot.Cost() != old.Slot.Cost() {
				t.Errorf("made anew as %+v", is)
			}
			if there := slotNames(t, mem); len(there) != 2 || slices.Contains(there, "keyslots/"+string(old.ID)+".json") {
				t.Errorf("there are %v", there)
			}
			if again, err := r.RenewSlot(t.Context(), secret); again != nil || err != nil {
				t.Errorf("a second time: %v, %v", again, err)
			}
			again, err := store.Open(t.Context(), mem, secret, store.OpenOptions{})
			if err != nil {
				t.Fatal(err)
			}
			defer again.Close()
			if again.OpenedSlot() != renewed.ID() {
				t.Errorf("opened by %s", again.OpenedSlot())
			}
		})
	}
}

func opened(t *testing.T, r *store.Repository) store.Slot {
	t.Helper()
	slots, err := r.Slots(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range slots {
		if s.Opened {
			return s
		}
	}
	t.Fatal("no slot opened the repository")
	return store.Slot{}
}

// Whatever fails, a slot that opens the repository is left, and the next time works.
func TestRenewSlotFails(t *testing.T) {
	for name, fault := range map[string]storagetest.Fault{
		"read-only":                    {Method: storagetest.Put, Err: syscall.EROFS},
		"the new one can't be read":    {Method: storagetest.ReadAt, Err: syscall.EIO},
		"the old one can't be removed": {Method: storagetest.Remove, Err: syscall.EIO},
	} {
		t.Run(name, func(t *testing.T) {
			mem := memoryOf(t, goldenCopy(t))
			faulty := storagetest.NewFaulty(mem)
			r, err := store.Open(t.Context(), faulty, goldenKey(t), store.OpenOptions{})
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			old := r.OpenedSlot()
			faulty.Reset()
			faulty.Inject(fault)
			if _, err := r.RenewSlot(t.Context(), goldenKey(t)); !errors.Is(err, fault.Err) {
				t.Fatalf("%v, want %v", err, fault.Err)
			}
			if !slices.Contains(slotNames(t, mem), "keyslots/"+string(old)+".json") {
				t.Fatal("the old slot is gone")
			}
			again, err := store.Open(t.Context(), mem, goldenKey(t), store.OpenOptions{})
			if err != nil {
				t.Fatal(err)
			}
			defer again.Close()
			if again.OpenedSlot() != old {
				t.Errorf("opened by %s, and the old slot stays for ever", again.OpenedSlot())
			}
			if _, err := again.RenewSlot(t.Context(), goldenKey(t)); err != nil {
				t.Fatal(err)
			}
			if there := slotNames(t, mem); len(there) != 2 || slices.Contains(there, "keyslots/"+string(old)+".json") {
				t.Errorf("there are %v", there)
			}
		})
	}
}

// Of two machines that make a slot anew, one puts it. Something else under its name
// leaves the old slot.
func TestRenewSlotTwice(t *testing.T) {
	mem := memoryOf(t, goldenCopy(t))
	var both [2]*store.Repository
	for i := range both {
		var err error
		if both[i], err = store.Open(t.Context(), mem, goldenKey(t), store.OpenOptions{}); err != nil {
			t.Fatal(err)
		}
		defer both[i].Close()
	}
	old := both[0].OpenedSlot()
	var ids [2]crypt.SlotID
	for i, r := range both {
		renewed, err := r.RenewSlot(t.Context(), goldenKey(t))
		if err != nil {
			t.Fatal(err)
		}
		ids[i] = renewed.ID()
	}
	if ids[0] != ids[1] || len(slotNames(t, mem)) != 2 {
		t.Errorf("made %v, there are %v", ids, slotNames(t, mem))
	}

	forgery := slotForgery{version: 2, id: string(ids[0]), repository: both[0].ID(), root: random(7, 32), key: random(8, 32)}
	for what, junk := range map[string][]byte{"junk": []byte("{}"), "forged": forgery.document(t)} {
		mem := memoryOf(t, goldenCopy(t))
		put(t, mem, "keyslots/"+string(ids[0])+".json", junk)
		r, err := store.Open(t.Context(), mem, goldenKey(t), store.OpenOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := r.RenewSlot(t.Context(), goldenKey(t)); err == nil {
			t.Errorf("%s in the place of the new slot: no error", what)
		}
		if r.OpenedSlot() != old || !slices.Contains(slotNames(t, mem), "keyslots/"+string(old)+".json") {
			t.Errorf("%s in the place of the new slot: the old one is gone", what)
		}
		r.Close()
	}
}

// addOldSlot adds a slot of version 1 for the second key.
func (s *site) addOldSlot(ctx context.Context) error {
	files := fstest.MapFS{}
	for name, b := range objects(s.t, s.folder) {
		files[name] = &fstest.MapFile{Data: b}
	}
	second, err := openSecond(files, "key-file", keyBytes(s.t, s.key), nil)
	if err != nil {
		return err
	}
	forgery := slotForgery{id: slotNumbered(1), repository: s.ID(), root: second.root, key: keyBytes(s.t, s.spareKey)}
	s.spare, s.spareID = opens, crypt.SlotID(forgery.id)
	return s.folder.Put(ctx, "keyslots/"+forgery.id+".json", bytes.NewReader(forgery.document(s.t)))
}

func keyBytes(t testing.TB, key *crypt.KeyFile) []byte {
	t.Helper()
	var b bytes.Buffer
	if _, err := key.WriteTo(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// renewSlot makes the second key's slot anew. The key opens at every moment.
func (s *site) renewSlot(ctx context.Context) error {
	r, err := store.Open(ctx, s.folder, s.spareKey, store.OpenOptions{})
	if err != nil {
		return err
	}
	defer r.Close()
	_, err = r.RenewSlot(ctx, s.spareKey)
	return err
}

// TestRenewSlotSpare: the second copy of a slot goes with it, as it opens at the cost that the slot had.
func TestRenewSlotSpare(t *testing.T) {
	mem := memoryOf(t, goldenCopy(t))
	r, err := store.Open(t.Context(), mem, goldenKey(t), store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := r.SetParity(t.Context(), 3, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	spareOf := func(id crypt.SlotID) error {
		_, err := mem.Stat(t.Context(), "spare/keyslots."+string(id)+".json")
		return err
	}
	old := r.OpenedSlot()
	if err := spareOf(old); err != nil {
		t.Fatalf("it has none before: that tests nothing (%v)", err)
	}
	renewed, err := r.RenewSlot(t.Context(), goldenKey(t))
	if err != nil {
		t.Fatal(err)
	}
	if err := spareOf(old); !errors.Is(err, storage.ErrNotFound) {
		t.Errorf("the old slot's second copy: %v", err)
	}
	if err := spareOf(renewed.ID()); err != nil {
		t.Error(err)
	}
}
