package crypt

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// slotVector is a key slot of version 2 and what must come of it. The files in
// testdata/slots2 are made once, by TestWriteSlotVectors with -write-golden, and never
// again; the second reader of package store reads them too. Secrets are those of
// goldenSecrets, the root key and the repository those of fixedRoot and fixedRepo.
type slotVector struct {
	Note     string   `json:"note"`
	Expect   string   `json:"expect"` // a word of slotOutcomes
	Kind     SlotKind `json:"kind"`   // of the secret that is tried
	ID       SlotID   `json:"id"`     // that it is stored under
	Document string   `json:"document"`
}

const slotVectors = "testdata/slots2"

// slotOutcomes are what opening a vector must give.
func slotOutcomes() map[string]error {
	return map[string]error{
		"opens": nil, "damaged": ErrDamagedSlot, "wrong secret": ErrWrongSecret, "forged": ErrForgedSlot,
		"too cheap": ErrSlotTooCheap, "too costly": ErrSlotTooCostly, "foreign": ErrForeignSlot,
		"unknown version": ErrUnknownSlotVersion, "unknown kind": ErrUnknownSlotKind,
	}
}

func goldenSlot2(t *testing.T, secret Secret, cost Cost) *Slot {
	t.Helper()
	s, err := newSlot(fixedRoot(), fixedRepo(), secret, SlotOptions{
		Label: "hazel <golden>", Made: time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC), Cost: cost,
	})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// slotCases gives the vectors' names and how each is made.
func slotCases(t *testing.T) map[string]slotVector {
	key := goldenKeyFile(t)
	byKey := goldenSlot2(t, key, Cost{})
	byPhrase := goldenSlot2(t, passphrase(t, goldenPassphrase), DefaultCost())
	dear := goldenSlot2(t, passphrase(t, goldenPassphrase), Cost{96 << 10, 4, 8})
	changed := func(s *Slot, change func(*slotDocument)) *Slot { return forge(t, s, change) }
	resealed := func(change func(*slotDocument), root *RootKey) *Slot {
		return forge(t, byKey, func(d *slotDocument) { change(d); reseal(t, d, root, key) })
	}
	other := NewRootKey()
	two := forge(t, byKey, func(d *slotDocument) { sealForTwo(t, d, NewKeyFile(), key) })
	cases := map[string]slotVector{}
	add := func(name, expect, note string, s *Slot) {
		cases[name] = slotVector{Note: note, Expect: expect, Kind: s.Kind(), ID: s.ID(), Document: string(marshal(t, s))}
	}
	add("key-file", "opens", "as written", byKey)
	add("passphrase", "opens", "as written, at the least cost", byPhrase)
	add("passphrase-costly", "opens", "96 MiB, 4 passes, 8 lanes", dear)
	add("wrong-key-file", "wrong secret", "made for another key file", goldenSlot2(t, NewKeyFile(), Cost{}))
	add("wrong-passphrase", "wrong secret", "made for another passphrase", goldenSlot2(t, passphrase(t, "golden seed bang"), DefaultCost()))
	add("check-flipped", "wrong secret", "the check value changed", changed(byKey, func(d *slotDocument) { d.Check = flip(d.Check, 17) }))
	add("check-other-seal-opens", "wrong secret", "the check value of another secret, though the seal opens and the MAC fits", resealed(func(d *slotDocument) { d.Check = flip(d.Check, 17) }, fixedRoot()))
	add("seal-for-two", "wrong secret", "the seal opens under this secret and another one; check value and MAC are of the first", changed(two, func(d *slotDocument) { d.Check = flip(d.Check, 0) }))
	add("sealed-flipped", "wrong secret", "the sealed root key changed", changed(byKey, func(d *slotDocument) { d.Sealed = flip(d.Sealed, 5) }))
	add("nonce-flipped", "wrong secret", "the nonce changed", changed(byKey, func(d *slotDocument) { d.Nonce = flip(d.Nonce, 5) }))
	add("salt-flipped", "wrong secret", "the salt changed", changed(byKey, func(d *slotDocument) { d.Salt = flip(d.Salt, 5) }))
	add("label-changed", "wrong secret", "the label changed, and nothing made anew", changed(byKey, func(d *slotDocument) { d.Label = "rowan" }))
	add("downgraded", "wrong secret", "said to be of version 1, without check value and MAC", changed(byKey, func(d *slotDocument) { d.Version, d.Check, d.MAC = 1, nil, nil }))
	add("mac-flipped", "forged", "the MAC changed", changed(byKey, func(d *slotDocument) { d.MAC = flip(d.MAC, 5) }))
	add("mac-zero", "forged", "a MAC of zeros", changed(byKey, func(d *slotDocument) { d.MAC = make(hexBytes, 32) }))
	add("mac-of-another-root-key", "forged", "the MAC under the keys of another root key", changed(byKey, func(d *slotDocument) {
		mac, err := derive(t, other, d.Repository).slotMAC(d)
		if err != nil {
			t.Fatal(err)
		}
		d.MAC = mac[:]
	}))
	add("too-cheap", "too cheap", "8 KiB, 1 pass, 1 lane, and opens otherwise", goldenSlot2(t, passphrase(t, goldenPassphrase), cheap))
	add("less-memory", "too cheap", "1 KiB less than the least", goldenSlot2(t, passphrase(t, goldenPassphrase), Cost{64<<10 - 1, 3, 4}))
	add("fewer-passes", "too cheap", "2 passes", goldenSlot2(t, passphrase(t, goldenPassphrase), Cost{64 << 10, 2, 4}))
	add("fewer-lanes", "too cheap", "3 lanes", goldenSlot2(t, passphrase(t, goldenPassphrase), Cost{64 << 10, 3, 3}))
	add("too-costly", "too costly", "1 GiB, 64 passes", changed(byPhrase, func(d *slotDocument) { d.Argon2id = &Cost{1 << 20, 64, 4} }))
	add("too-much-memory", "damaged", "more than 4 GiB", changed(byPhrase, func(d *slotDocument) { d.Argon2id = &Cost{4<<20 + 1, 3, 4} }))
	add("too-many-passes", "damaged", "65 passes", changed(byPhrase, func(d *slotDocument) { d.Argon2id = &Cost{64 << 10, 65, 4} }))
	add("too-many-lanes", "damaged", "65 lanes", changed(byPhrase, func(d *slotDocument) { d.Argon2id = &Cost{64 << 10, 3, 65} }))
	add("another-repository", "foreign", "of another repository", changed(byKey, func(d *slotDocument) { d.Repository = RepositoryID(counting(1, 16)) }))
	add("version-3", "unknown version", "of a later version", changed(byKey, func(d *slotDocument) { d.Version = 3 }))
	add("version-0", "damaged", "of version 0", changed(byKey, func(d *slotDocument) { d.Version = 0 }))
	add("unknown-kind", "unknown kind", "of a later kind", changed(byKey, func(d *slotDocument) { d.Kind = "token" }))
	add("no-check", "damaged", "without a check value", changed(byKey, func(d *slotDocument) { d.Check = nil }))
	add("short-check", "damaged", "a check value of 31 bytes", changed(byKey, func(d *slotDocument) { d.Check = d.Check[:31] }))
	add("no-mac", "damaged", "without a MAC", changed(byKey, func(d *slotDocument) { d.MAC = nil }))
	add("long-mac", "damaged", "a MAC of 33 bytes", changed(byKey, func(d *slotDocument) { d.MAC = append(slices.Clone(d.MAC), 0) }))
	add("check-in-version-1", "damaged", "of version 1, with a check value and a MAC", changed(byKey, func(d *slotDocument) { d.Version = 1 }))
	add("short-salt", "damaged", "a salt of 15 bytes", changed(byKey, func(d *slotDocument) { d.Salt = d.Salt[:15] }))
	add("cost-of-key-file", "damaged", "a key file's, with parameters", changed(byKey, func(d *slotDocument) { c := DefaultCost(); d.Argon2id = &c }))
	add("control-label", "damaged", "a label that moves the cursor", changed(byKey, func(d *slotDocument) { d.Label = "ha\x1b[2Jzel" }))
	cut := cases["key-file"]
	cut.Expect, cut.Note = "damaged", "a letter of the label changed, and the checksum not"
	cut.Document = strings.Replace(cut.Document, "hazel", "razel", 1)
	cases["checksum"] = cut
	moved := cases["key-file"]
	moved.Expect, moved.Note, moved.ID = "damaged", "stored under another id", "0123456789abcdef"
	cases["another-id"] = moved
	return cases
}

func TestWriteSlotVectors(t *testing.T) {
	if !*writeGolden {
		t.Skip("only with -write-golden")
	}
	if there, _ := filepath.Glob(slotVectors + "/*.json"); len(there) > 0 {
		t.Skipf("%s has its files", slotVectors)
	}
	if err := os.MkdirAll(slotVectors, 0o755); err != nil {
		t.Fatal(err)
	}
	for name, v := range slotCases(t) {
		var b bytes.Buffer
		e := json.NewEncoder(&b)
		e.SetEscapeHTML(false)
		e.SetIndent("", "  ")
		if err := e.Encode(v); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(slotVectors, name+".json"), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func readSlotVectors(t testing.TB) map[string]slotVector {
	t.Helper()
	paths, err := filepath.Glob(slotVectors + "/*.json")
	if err != nil || len(paths) < 38 {
		t.Fatalf("%d vectors: %v", len(paths), err)
	}
	vectors := map[string]slotVector{}
	for _, path := range paths {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		var v slotVector
		if err := json.Unmarshal(b, &v); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		vectors[strings.TrimSuffix(filepath.Base(path), ".json")] = v
	}
	return vectors
}

// Every reading path gives what each vector must give.
func TestSlotVectors(t *testing.T) {
	secrets, outcomes := goldenSecrets(t), slotOutcomes()
	keys := derive(t, fixedRoot(), fixedRepo())
	seen := map[string]bool{}
	for name, v := range readSlotVectors(t) {
		want, known := outcomes[v.Expect]
		if !known {
			t.Fatalf("%s: expects %q", name, v.Expect)
		}
		seen[v.Expect] = true
		if testing.Short() && v.Kind == SlotPassphrase && (want == nil || want == ErrWrongSecret) {
			seen[v.Expect] = true
			continue // deriving keys takes long under the race detector
		}
		secret := secrets[v.Kind]
		if secret == nil { // of a later kind
			secret = secrets[SlotKeyFile]
		}
		s, err := ParseSlot(v.ID, []byte(v.Document))
		if err == nil {
			var root *RootKey
			if root, err = s.Unlock(secret, fixedRepo(), UnlockOptions{}); err == nil && !root.Equal(fixedRoot()) {
				t.Errorf("%s: another root key", name)
			}
			if v.Expect == "opens" && (string(marshal(t, s)) != v.Document || s.Label() != "hazel <golden>" || s.Version() != 2) {
				t.Errorf("%s: read as %+v", name, s)
			}
			if v.Expect == "forged" && !errors.Is(keys.CheckSlot(s), ErrForgedSlot) || v.Expect == "opens" && keys.CheckSlot(s) != nil {
				t.Errorf("%s: its MAC: %v", name, keys.CheckSlot(s))
			}
		}
		if !errors.Is(err, want) || (err == nil) != (want == nil) {
			t.Errorf("%s: %v, want %q", name, err, v.Expect)
		}
		if v.Expect == "unknown kind" {
			want = ErrNoSlot // UnlockAny passes over it
		}
		_, _, err = UnlockAny(t.Context(), []SlotDocument{{ID: v.ID, Document: []byte(v.Document)}}, secret, fixedRepo(), UnlockOptions{})
		if !errors.Is(err, want) || (err == nil) != (want == nil) {
			t.Errorf("%s: UnlockAny: %v, want %q", name, err, v.Expect)
		}
	}
	for outcome := range outcomes {
		if !seen[outcome] {
			t.Errorf("no vector that is %q", outcome)
		}
	}
}
