package crypt

import (
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/subtle"
	"fmt"

	"golang.org/x/crypto/chacha20poly1305"
)

// The HKDF infos by which a stretched secret gives the key that seals the root key, and
// the check value that stands beside it.
const (
	labelSlotSealing = "kist 1 key slot sealing"
	labelSlotCheck   = "kist 1 key slot check"
)

// seal fills in the sealed root key, the check value, the MAC and the checksum.
func (d *slotDocument) seal(root *RootKey, secret Secret) error {
	if err := d.sealRoot(root, secret); err != nil {
		return fmt.Errorf("seal the root key: %w", err)
	}
	if d.Version != slotVersion1 {
		keys, err := root.Derive(d.Repository)
		if err != nil {
			return err
		}
		defer keys.Wipe()
		mac, err := keys.slotMAC(d)
		if err != nil {
			return err
		}
		d.MAC = mac[:]
	}
	var err error
	d.Checksum, err = d.checksum()
	return err
}

func (d *slotDocument) sealRoot(root *RootKey, secret Secret) error {
	key, check, err := d.slotKeys(secret)
	if err != nil {
		return err
	}
	defer clear(key[:])
	d.Check = check
	data, err := d.bound("sealed", "mac", "checksum")
	if err != nil {
		return err
	}
	aead, err := chacha20poly1305.NewX(key[:])
	if err != nil {
		return err
	}
	d.Sealed = aead.Seal(nil, d.Nonce, root.material()[:], data)
	return nil
}

// open is the way back from seal.
func (d *slotDocument) open(secret Secret) (*RootKey, error) {
	key, check, err := d.slotKeys(secret)
	if err != nil {
		return nil, err
	}
	defer clear(key[:])
	// Before the seal: XChaCha20-Poly1305 does not commit to its key, so a seal can be
	// made that opens under several.
	if subtle.ConstantTimeCompare(check, d.Check) != 1 {
		return nil, ErrWrongSecret
	}
	data, err := d.bound("sealed", "mac", "checksum")
	if err != nil {
		return nil, err
	}
	aead, err := chacha20poly1305.NewX(key[:])
	if err != nil {
		return nil, err
	}
	material, err := aead.Open(nil, d.Nonce, d.Sealed, data)
	if err != nil {
		return nil, ErrWrongSecret
	}
	root := &RootKey{key: hide((*[keySize]byte)(material))}
	if err := d.checkMaker(root); err != nil {
		root.Wipe()
		return nil, err
	}
	return root, nil
}

// slotKeys derives the key that seals the root key and, from version 2 on, the
// check value: two outputs of HKDF-SHA-256 (RFC 5869) of one stretched secret, so that
// the slot fits no second secret (Albertini et al., "How to Abuse and Fix
// Authenticated Encryption Without Key Commitment", USENIX Security 2022, from memory).
func (d *slotDocument) slotKeys(secret Secret) (*[keySize]byte, hexBytes, error) {
	if d.Version == slotVersion1 {
		key, err := secret.slotKey(d.Salt, d.cost())
		return key, nil, err
	}
	stretched, err := secret.stretch(d.Salt, d.cost())
	if err != nil {
		return nil, nil, err
	}
	defer clear(stretched[:])
	key, err := hkdf.Key(sha256.New, stretched[:], d.Salt, labelSlotSealing, keySize)
	if err != nil {
		return nil, nil, err
	}
	check, err := hkdf.Key(sha256.New, stretched[:], d.Salt, labelSlotCheck, keySize)
	return (*[keySize]byte)(key), check, err
}

// checkMaker holds the MAC of an opened slot against its root key.
func (d *slotDocument) checkMaker(root *RootKey) error {
	if d.Version == slotVersion1 {
		return nil // the seal is all there is
	}
	keys, err := root.Derive(d.Repository)
	if err != nil {
		return err
	}
	defer keys.Wipe()
	return keys.checkSlot(d)
}

// CheckSlot tells whether a slot was made by a holder of the root key, without its
// secret. Every error is a [*SlotError] and wraps [ErrForgedSlot], [ErrUnprovedSlot]
// or [ErrKeysWiped]. It can't tell a slot that was removed and put back.
func (k *Keys) CheckSlot(s *Slot) error {
	if err := k.checkSlot(&s.doc); err != nil {
		return &SlotError{ID: s.doc.ID, Err: err}
	}
	return nil
}

func (k *Keys) checkSlot(d *slotDocument) error {
	if d.Version == slotVersion1 {
		return ErrUnprovedSlot
	}
	want, err := k.slotMAC(d)
	if err != nil {
		return err
	}
	if !hmac.Equal(want[:], d.MAC) {
		return ErrForgedSlot
	}
	return nil
}

// slotMAC is HMAC-SHA-256 (RFC 2104) over the whole document.
func (k *Keys) slotMAC(d *slotDocument) (mac [32]byte, err error) {
	data, err := d.bound("mac", "checksum")
	if err != nil {
		return mac, err
	}
	err = k.use(func(keys *derivedKeys) { mac = hmacSHA256(&keys.slots, data) })
	return mac, err
}
