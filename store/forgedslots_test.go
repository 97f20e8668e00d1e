package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"testing"
	"testing/fstest"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

func passphraseOf(t testing.TB, text string) *crypt.Passphrase {
	t.Helper()
	p, err := crypt.NewPassphrase([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Whoever can write to the share, and has no key, puts a repository of their own making in
// the place of another: of the same id, with a slot for each guess of the passphrase. At a
// low cost thousands of guesses would be tried while somebody opens it, and the one that
// fits would take the captures.
func TestForgedRepositoryOfCheapSlots(t *testing.T) {
	for version := 1; version <= 2; version++ {
		mem, id, root := storage.NewMemory(), crypt.NewRepositoryID(), random(7, 32)
		for guess := range 300 {
			slot := slotForgery{
				version: version, id: slotNumbered(guess), repository: id, root: root, passphrase: fmt.Sprintf("Mill Lane %d", guess),
				cost: &secondArgon2id{Memory: 8, Passes: 1, Lanes: 1},
			}
			put(t, mem, "keyslots/"+slot.id+".json", slot.document(t))
		}
		put(t, mem, "kist.json", forgedManifest(t, id, root))
		r, err := store.Open(t.Context(), mem, passphraseOf(t, "Mill Lane 14"), store.OpenOptions{})
		if err == nil {
			r.Close()
			t.Errorf("version %d: the forged repository opened", version)
			continue
		}
		if !errors.Is(err, crypt.ErrSlotTooCheap) || errors.Is(err, store.ErrWrongSecret) {
			t.Errorf("version %d: %v, want %v", version, err, crypt.ErrSlotTooCheap)
		}
		// Without the floor it opens: the forgery is a good one, and this tests something.
		o := store.OpenOptions{Unlock: crypt.UnlockOptions{Floor: crypt.Cost{MemoryKiB: 8, Passes: 1, Lanes: 1}}}
		if r, err = store.Open(t.Context(), mem, passphraseOf(t, "Mill Lane 14"), o); err != nil {
			t.Errorf("version %d, with a low floor: %v", version, err)
			continue
		}
		r.Close()
	}
}

func put(t testing.TB, st storage.Storage, name string, b []byte) {
	t.Helper()
	if err := st.Put(t.Context(), name, bytes.NewReader(b)); err != nil {
		t.Fatal(err)
	}
}

// A slot of 1 GiB and 64 passes beside the right one costs nobody minutes.
func TestCostlySlotBesideTheRightOne(t *testing.T) {
	mem := storage.NewMemory()
	r, err := store.Create(t.Context(), mem, passphraseOf(t, "Mill Lane 14"), store.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	// Its seal is of another key: whoever derives the key has lost the minutes already.
	slot := slotForgery{id: slotNumbered(0), repository: r.ID(), root: random(7, 32), passphrase: "x", cost: &secondArgon2id{Memory: 8, Passes: 1, Lanes: 1}}
	costly := bytes.Replace(slot.document(t), []byte(`"memory_kib": 8,`), []byte(`"memory_kib": 1048576,`), 1)
	costly = bytes.Replace(costly, []byte(`"passes": 1`), []byte(`"passes": 64`), 1)
	costly = bytes.Replace(costly, []byte(`"lanes": 1`), []byte(`"lanes": 4`), 1)
	put(t, mem, "keyslots/"+slot.id+".json", withChecksum(t, costly))
	again, err := store.Open(t.Context(), mem, passphraseOf(t, "Mill Lane 14"), store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	again.Close()
	if _, err := store.Open(t.Context(), mem, passphraseOf(t, "Mill Lane 15"), store.OpenOptions{}); !errors.Is(err, crypt.ErrSlotTooCostly) {
		t.Errorf("a wrong passphrase: %v, want %v", err, crypt.ErrSlotTooCostly)
	}
}

// withChecksum mends the checksum of a changed slot.
func withChecksum(t *testing.T, document []byte) []byte {
	t.Helper()
	r := &secondReader{fsys: fstest.MapFS{"slot": {Data: document}}}
	checked, err := r.slotFields("slot", "checksum")
	if err != nil {
		t.Fatal(err)
	}
	var slot secondSlot
	if err := r.readJSON("slot", &slot); err != nil {
		t.Fatal(err)
	}
	return bytes.Replace(document, []byte(slot.Checksum), []byte(slotChecksum(checked)), 1)
}

// Of thousands of slots a few are read, and the one that opened last here is among them.
func TestThousandsOfSlots(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	ours := f.OpenedSlot()
	for i := range 3000 {
		put(t, f.mem, "keyslots/"+slotNumbered(i)+".json", []byte("{}"))
	}
	faulty := storagetest.NewFaulty(f.mem)
	if _, err := store.Open(t.Context(), faulty, f.key, store.OpenOptions{}); !errors.Is(err, store.ErrTooManySlots) || errors.Is(err, store.ErrWrongSecret) {
		t.Errorf("%v, want %v", err, store.ErrTooManySlots)
	}
	if n := faulty.Calls(storagetest.ReadAt); n > crypt.MaxSlots+1 {
		t.Errorf("%d reads", n)
	}
	r, err := store.Open(t.Context(), faulty, f.key, store.OpenOptions{Unlock: crypt.UnlockOptions{First: ours}})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if _, err := r.AddSlot(t.Context(), crypt.NewKeyFile(), crypt.SlotOptions{}); !errors.Is(err, store.ErrTooManySlots) {
		t.Errorf("another slot: %v, want %v", err, store.ErrTooManySlots)
	}
}

// What somebody puts beside the last slot does not make it one of several, and shows.
func TestForgedSlotsBesideTheLastOne(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	ours := f.OpenedSlot()
	foreign := crypt.NewRepositoryID()
	usual := &secondArgon2id{Memory: 65536, Passes: 3, Lanes: 4}
	forgeries := []slotForgery{
		{id: slotNumbered(1), repository: f.ID(), root: random(7, 32), key: random(8, 32)},
		{id: slotNumbered(2), repository: f.ID(), root: random(7, 32), key: random(8, 32), version: 2},
		{id: slotNumbered(3), repository: foreign, root: random(7, 32), key: random(8, 32)},
		{id: slotNumbered(4), repository: foreign, root: random(7, 32), key: random(8, 32), version: 2},
		{id: slotNumbered(5), repository: f.ID(), root: random(7, 32), passphrase: "x", cost: &secondArgon2id{Memory: 8, Passes: 1, Lanes: 1}},
		{id: slotNumbered(6), repository: f.ID(), root: random(7, 32), passphrase: "x", cost: usual},
	}
	want := map[crypt.SlotID]store.SlotStanding{
		ours: store.SlotProven, "0000000000000001": store.SlotUnproved, "0000000000000002": store.SlotForged,
		"0000000000000003": store.SlotForged, "0000000000000004": store.SlotForged, "0000000000000005": store.SlotForged,
		"0000000000000006": store.SlotUnproved,
	}
	for _, forgery := range forgeries {
		put(t, f.mem, "keyslots/"+forgery.id+".json", forgery.document(t))
	}
	if err := f.RemoveSlot(t.Context(), ours); !errors.Is(err, store.ErrLastSlot) {
		t.Fatalf("beside forged slots the last one: %v, want %v", err, store.ErrLastSlot)
	}
	slots, err := f.Slots(t.Context())
	if err != nil || len(slots) != len(want) {
		t.Fatalf("%d slots, %v", len(slots), err)
	}
	for _, s := range slots {
		if s.Standing != want[s.ID] || s.Opened != (s.ID == ours) {
			t.Errorf("%s: %q, opened: %v; want %q", s.ID, s.Standing, s.Opened, want[s.ID])
		}
	}
	report, err := f.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || report.OK || len(report.Damage) != 4 {
		t.Errorf("verify: %+v, %v", report, err)
	}
	for _, forgery := range forgeries {
		if err := f.RemoveSlot(t.Context(), crypt.SlotID(forgery.id)); err != nil {
			t.Errorf("removing %s: %v", forgery.id, err)
		}
	}
	// One that is ours counts.
	if _, err := f.AddSlot(t.Context(), crypt.NewKeyFile(), crypt.SlotOptions{}); err != nil {
		t.Fatal(err)
	}
	if err := f.RemoveSlot(t.Context(), ours); err != nil {
		t.Error(err)
	}
}

// A forged slot that opens with the right secret, beside the right kist.json, is passed
// over: its root key does not fit.
func TestForgedSlotOfTheRightSecret(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	ours := f.OpenedSlot()
	var key bytes.Buffer
	if _, err := f.key.WriteTo(&key); err != nil {
		t.Fatal(err)
	}
	for version := 1; version <= 2; version++ {
		forgery := slotForgery{version: version, id: slotNumbered(version), repository: f.ID(), root: random(7, 32), key: key.Bytes()}
		put(t, f.mem, "keyslots/"+forgery.id+".json", forgery.document(t))
	}
	r, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{Unlock: crypt.UnlockOptions{First: "0000000000000001"}})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if r.OpenedSlot() != ours {
		t.Errorf("opened by %s", r.OpenedSlot())
	}
	if err := f.RemoveSlot(t.Context(), ours); !errors.Is(err, store.ErrLastSlot) {
		t.Errorf("the last slot: %v", err)
	}
}

// The second reader, written from the page, and the library agree on what is forged here.
func TestSlotForgeriesAreGood(t *testing.T) {
	for version := 1; version <= 2; version++ {
		id, root, key := crypt.NewRepositoryID(), random(7, 32), random(8, 32)
		forgery := slotForgery{version: version, id: slotNumbered(1), repository: id, root: root, key: key}
		whole := map[string][]byte{"keyslots/" + forgery.id + ".json": forgery.document(t), "kist.json": forgedManifest(t, id, root)}
		secret, err := crypt.ReadKeyFile(bytes.NewReader(key))
		if err != nil {
			t.Fatal(err)
		}
		r, err := store.Open(t.Context(), memoryOf(t, whole), secret, store.OpenOptions{})
		if err != nil {
			t.Fatalf("version %d: %v", version, err)
		}
		r.Close()
		files := fstest.MapFS{}
		for name, b := range whole {
			files[name] = &fstest.MapFile{Data: b}
		}
		if second, err := openSecond(files, "key-file", key, nil); err != nil || !bytes.Equal(second.root, root) {
			t.Errorf("version %d: the second reader: %v", version, err)
		}
	}
}

// goldenCopy gives a repository whose slots are of version 1.
func goldenCopy(t testing.TB) map[string][]byte {
	t.Helper()
	folder, err := storage.OpenFolder("../testdata/format1/repository")
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	return objects(t, folder)
}

func goldenKey(t testing.TB) *crypt.KeyFile {
	t.Helper()
	b, err := os.ReadFile("../testdata/format1/key")
	if err != nil {
		t.Fatal(err)
	}
	key, err := crypt.ReadKeyFile(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return key
}
