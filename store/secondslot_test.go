package store_test

import (
	"cmp"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path"

	"golang.org/x/crypto/argon2"
)

// secondSlot is a key slot, section 4.
type secondSlot struct {
	Version    int             `json:"version"`
	ID         string          `json:"id"`
	Repository string          `json:"repository"`
	Kind       string          `json:"kind"`
	Label      string          `json:"label"`
	Made       string          `json:"made"`
	Argon2id   *secondArgon2id `json:"argon2id,omitempty"`
	Salt       string          `json:"salt"`
	Nonce      string          `json:"nonce"`
	Sealed     string          `json:"sealed"`
	Check      string          `json:"check,omitempty"` // from version 2 on
	MAC        string          `json:"mac,omitempty"`
	Checksum   string          `json:"checksum"`
}

type secondArgon2id struct {
	Memory uint32 `json:"memory_kib"`
	Passes uint32 `json:"passes"`
	Lanes  uint8  `json:"lanes"`
}

// slotOf gives the name of the first slot of a kind, and the slot.
func (r *secondReader) slotOf(kind string) (string, *secondSlot, error) {
	names, err := r.list("keyslots")
	if err != nil {
		return "", nil, err
	}
	for _, name := range names {
		var slot secondSlot
		if err := r.readJSON(name, &slot); err != nil {
			return "", nil, err
		}
		if slot.Kind != kind {
			continue
		}
		if slot.ID+".json" != path.Base(name) || slot.Repository != hex.EncodeToString(r.id) || slot.Version != 1 && slot.Version != 2 {
			return "", nil, fmt.Errorf("%s: the slot belongs elsewhere", name)
		}
		return name, &slot, nil
	}
	return "", nil, fmt.Errorf("no slot of the kind %q", kind)
}

// openSlot opens the first slot of a kind.
func (r *secondReader) openSlot(kind string, secret []byte) ([]byte, error) {
	name, slot, err := r.slotOf(kind)
	if err != nil {
		return nil, err
	}
	return r.unsealSlot(name, slot, secret)
}

func (r *secondReader) unsealSlot(name string, slot *secondSlot, secret []byte) ([]byte, error) {
	checked, err := r.slotFields(name, "checksum")
	if err != nil {
		return nil, err
	}
	if slotChecksum(checked) != slot.Checksum {
		return nil, fmt.Errorf("%s: the checksum is wrong", name)
	}
	salt, err1 := unhex(slot.Salt, 32)
	nonce, err2 := unhex(slot.Nonce, 24)
	sealed, err3 := unhex(slot.Sealed, 48)
	bound, err4 := r.slotFields(name, "checksum", "mac", "sealed")
	if err := cmp.Or(err1, err2, err3, err4, slot.checkVersion(), slot.checkCost()); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	key, check, err := slot.keys(secret, salt)
	if err == nil && check != slot.Check {
		err = fmt.Errorf("%s: the check value is that of another secret", name)
	}
	if err != nil {
		return nil, err
	}
	root, err := openX(key, nonce, sealed, append([]byte("kist 1 key slot\n"), bound...))
	if err != nil {
		return nil, err
	}
	return root, r.checkSlotMAC(name, slot, root)
}

func slotChecksum(checked []byte) string {
	sum := sha256.Sum256(checked)
	return hex.EncodeToString(sum[:16])
}

// checkVersion sees that a slot has the fields of its version.
func (s *secondSlot) checkVersion() error {
	length := map[int]int{1: 0, 2: 64}
	n, known := length[s.Version]
	if !known || len(s.Check) != n || len(s.MAC) != n {
		return fmt.Errorf("version %d, check %q, mac %q", s.Version, s.Check, s.MAC)
	}
	return nil
}

// checkCost refuses what no writer makes, and what one opening may not take.
func (s *secondSlot) checkCost() error {
	if (s.Argon2id != nil) != (s.Kind == "passphrase") {
		return fmt.Errorf("parameters that a %s does not have", s.Kind)
	}
	a := s.Argon2id
	if a != nil && (a.Memory < 65536 || a.Passes < 3 || a.Lanes < 4 || a.Memory > 4194304 || a.Passes > 64 || a.Lanes > 64 || uint64(a.Memory)*uint64(a.Passes) > 12582912) {
		return fmt.Errorf("parameters out of bounds: %v", *a)
	}
	return nil
}

// stretch gives the stretched secret.
func (s *secondSlot) stretch(secret, salt []byte) []byte {
	if s.Kind == "passphrase" {
		return argon2.IDKey(secret, salt, s.Argon2id.Passes, s.Argon2id.Memory, s.Argon2id.Lanes, 32)
	}
	return secret
}

// keys gives the slot key, and the check value in hexadecimal; "" in version 1.
func (s *secondSlot) keys(secret, salt []byte) (key []byte, check string, err error) {
	stretched := s.stretch(secret, salt)
	switch {
	case s.Version > 1:
		key, err1 := hkdf.Key(sha256.New, stretched, salt, "kist 1 key slot sealing", 32)
		check, err2 := hkdf.Key(sha256.New, stretched, salt, "kist 1 key slot check", 32)
		return key, hex.EncodeToString(check), cmp.Or(err1, err2)
	case s.Kind == "passphrase":
		return stretched, "", nil
	}
	key, err = hkdf.Key(sha256.New, stretched, salt, "kist 1 key file slot", 32)
	return key, "", err
}

func (r *secondReader) checkSlotMAC(name string, slot *secondSlot, root []byte) error {
	if slot.Version == 1 {
		return nil
	}
	keys, err := secondDerive(root, r.id)
	if err != nil {
		return err
	}
	bound, err := r.slotFields(name, "checksum", "mac")
	if err != nil {
		return err
	}
	mac := hmac.New(sha256.New, keys.slots)
	mac.Write(append([]byte("kist 1 key slot\n"), bound...))
	if hex.EncodeToString(mac.Sum(nil)) != slot.MAC {
		return fmt.Errorf("%s: the slot is forged", name)
	}
	return nil
}

// slotFields gives the deterministic CBOR of a slot without some fields.
func (r *secondReader) slotFields(name string, without ...string) ([]byte, error) {
	fields := map[string]any{}
	if err := r.readJSON(name, &fields); err != nil {
		return nil, err
	}
	for _, f := range without {
		delete(fields, f)
	}
	return secondEncoding().Marshal(wholeNumbers(fields))
}

// wholeNumbers replaces JSON's numbers by whole ones.
func wholeNumbers(x any) any {
	switch x := x.(type) {
	case map[string]any:
		for k := range x {
			x[k] = wholeNumbers(x[k])
		}
	case float64:
		return uint64(x)
	}
	return x
}
