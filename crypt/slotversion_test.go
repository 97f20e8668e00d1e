package crypt

import (
	"bytes"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/sha256"
	"errors"
	"testing"
	"time"

	"golang.org/x/crypto/argon2"
	"golang.org/x/crypto/chacha20poly1305"
)

// Wiring: a slot of version 2 is as FORMAT.md, section 4, has it, here written out by
// hand after RFC 8949 and with the standards' own functions.
func TestSlotOfVersion2IsAsSpecified(t *testing.T) {
	file := counting(7, keySize)
	key, err := ReadKeyFile(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		secret    Secret
		stretched func(salt []byte) []byte
	}{
		"passphrase": {passphrase(t, "seed bank"), func(salt []byte) []byte { return argon2.IDKey([]byte("seed bank"), salt, 1, 8, 1, 32) }},
		"key-file":   {key, func([]byte) []byte { return file }},
	} {
		t.Run(name, func(t *testing.T) {
			s := cheapSlot(t, c.secret)
			derived := func(secret, salt []byte, info string) []byte {
				key, err := hkdf.Key(sha256.New, secret, salt, info, 32)
				if err != nil {
					t.Fatal(err)
				}
				return key
			}
			stretched := c.stretched(s.doc.Salt)
			if check := derived(stretched, s.doc.Salt, "kist 1 key slot check"); !bytes.Equal(check, s.doc.Check) {
				t.Errorf("check %x, want %x", s.doc.Check, check)
			}
			aead, err := chacha20poly1305.NewX(derived(stretched, s.doc.Salt, "kist 1 key slot sealing"))
			if err != nil {
				t.Fatal(err)
			}
			root, err := aead.Open(nil, s.doc.Nonce, s.doc.Sealed, handWritten(s, false))
			if err != nil || !bytes.Equal(root, fixedRoot().material()[:]) {
				t.Errorf("opened %x, %v", root, err)
			}
			repo := fixedRepo()
			mac := hmac.New(sha256.New, derived(fixedRoot().material()[:], repo[:], "kist 1 key slots"))
			mac.Write(handWritten(s, true))
			if sum := mac.Sum(nil); !bytes.Equal(sum, s.doc.MAC) {
				t.Errorf("MAC %x, want %x", s.doc.MAC, sum)
			}
		})
	}
}

// handWritten gives what the seal of a cheap slot is over, or with sealed, its MAC.
func handWritten(s *Slot, sealed bool) []byte {
	text := func(v string) string {
		if len(v) < 24 {
			return string(rune(0x60+len(v))) + v
		}
		return "\x78" + string([]byte{byte(len(v))}) + v
	}
	hexText := func(b hexBytes) string { v, _ := b.MarshalText(); return text(string(v)) }
	fields := 9
	cost, root := "", ""
	if s.Kind() == SlotPassphrase {
		fields++
		cost = text("argon2id") + "\xa3" + text("lanes") + "\x01" + text("passes") + "\x01" + text("memory_kib") + "\x08"
	}
	if sealed {
		fields++
		root = text("sealed") + hexText(s.doc.Sealed)
	}
	// Keys sort by their encoded bytes, so the shorter ones stand first.
	return []byte("kist 1 key slot\n" + string([]byte{byte(0xa0 + fields)}) +
		text("id") + text(string(s.ID())) +
		text("kind") + text(string(s.Kind())) +
		text("made") + text("2026-03-14T02:03:00Z") +
		text("salt") + hexText(s.doc.Salt) +
		text("check") + hexText(s.doc.Check) +
		text("label") + text("hazel") +
		text("nonce") + hexText(s.doc.Nonce) +
		root +
		text("version") + "\x02" +
		cost +
		text("repository") + text(fixedRepo().String()))
}

// A slot whose seal opens, but whose check value is another secret's, does not open.
func TestWrongCheckValueIsRefused(t *testing.T) {
	for name, secret := range secrets(t) {
		s := cheapSlot(t, secret)
		forged := forge(t, s, func(d *slotDocument) {
			d.Check = flip(d.Check, 5)
			reseal(t, d, fixedRoot(), secret)
		})
		parsed, err := ParseSlot(forged.ID(), marshal(t, forged))
		if err != nil {
			t.Fatal(err)
		}
		key, _, err := forged.doc.slotKeys(secret)
		if err != nil {
			t.Fatal(err)
		}
		if !opens(t, &forged.doc, key[:]) {
			t.Fatalf("%s: the seal of the forged slot must open, or this tests nothing", name)
		}
		if err := derive(t, fixedRoot(), fixedRepo()).CheckSlot(parsed); err != nil {
			t.Fatalf("%s: the MAC must fit, or this tests little: %v", name, err)
		}
		if _, err := parsed.Unlock(secret, fixedRepo(), low()); !errors.Is(err, ErrWrongSecret) {
			t.Errorf("%s: %v, want %v", name, err, ErrWrongSecret)
		}
	}
}

// reseal seals the root key and makes the MAC for a document that was changed,
// its check value as it stands.
func reseal(t testing.TB, d *slotDocument, root *RootKey, secret Secret) {
	t.Helper()
	key, _, err := d.slotKeys(secret)
	if err != nil {
		t.Fatal(err)
	}
	aead, err := chacha20poly1305.NewX(key[:])
	if err != nil {
		t.Fatal(err)
	}
	d.Sealed = aead.Seal(nil, d.Nonce, root.material()[:], boundOf(t, d))
	mac, err := derive(t, root, d.Repository).slotMAC(d)
	if err != nil {
		t.Fatal(err)
	}
	d.MAC = mac[:]
}

func boundOf(t testing.TB, d *slotDocument) []byte {
	t.Helper()
	data, err := d.bound("sealed", "mac", "checksum")
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func opens(t testing.TB, d *slotDocument, key []byte) bool {
	t.Helper()
	aead, err := chacha20poly1305.NewX(key)
	if err != nil {
		t.Fatal(err)
	}
	_, err = aead.Open(nil, d.Nonce, d.Sealed, boundOf(t, d))
	return err == nil
}

// A slot that somebody without the root key made is told from one of our making.
func TestCheckSlot(t *testing.T) {
	phrase := passphrase(t, "seed bank")
	ours := cheapSlot(t, phrase)
	keys := derive(t, fixedRoot(), fixedRepo())
	theirs, err := newSlot(NewRootKey(), fixedRepo(), phrase, SlotOptions{Cost: cheap})
	if err != nil {
		t.Fatal(err)
	}
	elsewhere, err := newSlot(fixedRoot(), NewRepositoryID(), phrase, SlotOptions{Cost: cheap})
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		slot *Slot
		want error
	}{
		"ours":                    {ours, nil},
		"of another root key":     {theirs, ErrForgedSlot},
		"of another repository":   {elsewhere, ErrForgedSlot},
		"of version 1":            {cheapSlot1(t, phrase), ErrUnprovedSlot},
		"with another label":      {forge(t, ours, func(d *slotDocument) { d.Label = "rowan" }), ErrForgedSlot},
		"with another time":       {forge(t, ours, func(d *slotDocument) { d.Made = d.Made.Add(time.Hour) }), ErrForgedSlot},
		"with another id":         {forge(t, ours, func(d *slotDocument) { d.ID = "0123456789abcdef" }), ErrForgedSlot},
		"with another cost":       {forge(t, ours, func(d *slotDocument) { d.Argon2id = &Cost{16, 1, 1} }), ErrForgedSlot},
		"with another root key":   {forge(t, ours, func(d *slotDocument) { d.Sealed = theirs.doc.Sealed }), ErrForgedSlot},
		"with another check":      {forge(t, ours, func(d *slotDocument) { d.Check = theirs.doc.Check }), ErrForgedSlot},
		"with another's MAC":      {forge(t, ours, func(d *slotDocument) { d.MAC = theirs.doc.MAC }), ErrForgedSlot},
		"with another salt":       {forge(t, ours, func(d *slotDocument) { d.Salt = theirs.doc.Salt }), ErrForgedSlot},
		"with another nonce":      {forge(t, ours, func(d *slotDocument) { d.Nonce = theirs.doc.Nonce }), ErrForgedSlot},
		"said to be for key file": {forge(t, ours, func(d *slotDocument) { d.Kind, d.Argon2id = SlotKeyFile, nil }), ErrForgedSlot},
	} {
		err := keys.CheckSlot(c.slot)
		var named *SlotError
		if !errors.Is(err, c.want) || err != nil && (!errors.As(err, &named) || named.ID != c.slot.ID()) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
}

// A slot of version 1 opens, and is made anew: for the same secret, with the same label
// and time, and always under the same new id.
func TestRenewed(t *testing.T) {
	for name, secret := range secrets(t) {
		old := cheapSlot1(t, secret)
		if root, err := old.Unlock(secret, fixedRepo(), low()); err != nil || !root.Equal(fixedRoot()) {
			t.Fatalf("%s: version 1: %v", name, err)
		}
		renewed, err := old.Renewed(fixedRoot(), secret)
		if err != nil {
			t.Fatal(err)
		}
		parsed, err := ParseSlot(renewed.ID(), marshal(t, renewed))
		if err != nil {
			t.Fatal(err)
		}
		if root, err := parsed.Unlock(secret, fixedRepo(), low()); err != nil || !root.Equal(fixedRoot()) {
			t.Errorf("%s: renewed: %v", name, err)
		}
		if err := derive(t, fixedRoot(), fixedRepo()).CheckSlot(parsed); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if parsed.Version() != 2 || old.Version() != 1 || parsed.ID() == old.ID() ||
			parsed.Label() != old.Label() || !parsed.Made().Equal(old.Made()) || parsed.Cost() != old.Cost() {
			t.Errorf("%s: renewed as %+v", name, parsed)
		}
		again, err := old.Renewed(fixedRoot(), secret)
		if err != nil || again.ID() != renewed.ID() {
			t.Errorf("%s: another id the second time: %v", name, err)
		}
	}
}
