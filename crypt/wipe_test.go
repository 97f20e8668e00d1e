package crypt

import (
	"errors"
	"sync"
	"testing"
)

func TestWipedKeys(t *testing.T) {
	keys := derive(t, fixedRoot(), fixedRepo())
	_, wrapped := newSealer(t, keys, fixedName())
	message := []byte("catalogue")
	mac, id := keys.ManifestMAC(message), keys.NewHasher().Sum(message)
	inside := keys.derived.get()
	if keys.Wiped() != nil {
		t.Error("wiped before Wipe")
	}
	keys.Wipe()
	keys.Wipe()
	for name, key := range map[string][keySize]byte{
		"identity": inside.identity, "boundary": inside.boundary, "wrapping": inside.wrapping, "manifest": inside.manifest, "slots": inside.slots,
	} {
		if key != [keySize]byte{} {
			t.Errorf("Wipe left the key %q in memory", name)
		}
	}
	for name, k := range map[string]*Keys{"wiped": keys, "never made": {}} {
		_, _, _, sealing := k.NewSealer(fixedName())
		_, opening := k.NewOpener(fixedName(), WrapXChaCha20Poly1305, wrapped)
		_, reading := k.BoundarySource().Read(make([]byte, 8))
		checking := k.CheckSlot(cheapSlot(t, NewKeyFile()))
		for what, err := range map[string]error{"NewSealer": sealing, "NewOpener": opening, "BoundarySource": reading, "CheckSlot": checking, "Wiped": k.Wiped()} {
			if !errors.Is(err, ErrKeysWiped) {
				t.Errorf("%s: %s says %v", name, what, err)
			}
		}
		if k.CheckManifest(message, mac) || k.CheckManifest(message, k.ManifestMAC(message)) {
			t.Errorf("%s: accepts a MAC", name)
		}
		if one, two := k.NewHasher().Sum(message), k.NewHasher().Sum(message); one == id || one == two {
			t.Errorf("%s: identities of a repository", name)
		}
		k.Wipe()
	}
}

// Whoever uses keys while they are wiped gets what they are, or ErrKeysWiped.
func TestWipeBesideUse(t *testing.T) {
	for range 50 {
		keys := derive(t, fixedRoot(), fixedRepo())
		_, wrapped := newSealer(t, keys, fixedName())
		var users sync.WaitGroup
		for range 4 {
			users.Go(func() {
				for range 20 {
					if _, err := keys.NewOpener(fixedName(), WrapXChaCha20Poly1305, wrapped); err != nil && !errors.Is(err, ErrKeysWiped) {
						t.Error(err)
					}
				}
			})
		}
		keys.Wipe()
		users.Wait()
	}
}
