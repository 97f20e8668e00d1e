package crypt

import (
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"time"
	"unicode"
	"unicode/utf8"

	"golang.org/x/crypto/chacha20poly1305"
)

// SlotID names a key slot: 16 lower-case hexadecimal digits, random.
type SlotID string

// SlotKind says which kind of secret opens a slot. Words are never reused.
type SlotKind string

const (
	SlotPassphrase SlotKind = "passphrase" // key derived by Argon2id
	SlotKeyFile    SlotKind = "key-file"   // key derived by HKDF-SHA-256
)

// MaxLabel is the greatest length of a slot's label in bytes.
const MaxLabel = 256

// Slot is the root key sealed under one secret. It holds nothing secret in the
// clear: id, kind, label and time are readable without any key, and whoever
// can write to the repository can copy or remove slots, but not change one or
// move it to another repository without it showing. Slots of their own making show
// by their MAC ([Keys.CheckSlot]), from version 2 on. It may be used concurrently.
type Slot struct {
	doc slotDocument
}

// SlotOptions describe a new slot.
type SlotOptions struct {
	Label string    // readable without a key; at most [MaxLabel] bytes of printable text, may be empty
	Made  time.Time // kept in UTC, to the second
	Cost  Cost      // for a passphrase; zero means [DefaultCost], less than that is refused; see [UnlockOptions] for what opens
}

// NewSlot seals the root key under the secret, with a random id and salt. It
// fails with [ErrEmptySecret], [ErrCost] or [ErrLabel]. For a passphrase it
// takes the time and memory that the cost says.
func NewSlot(root *RootKey, repo RepositoryID, secret Secret, o SlotOptions) (*Slot, error) {
	if o.Cost == (Cost{}) {
		o.Cost = DefaultCost()
	}
	if o.Cost.Below(DefaultCost()) {
		return nil, fmt.Errorf("%w: %v is less than %v", ErrCost, o.Cost, DefaultCost())
	}
	return newSlot(root, repo, secret, o)
}

// Renewed makes a slot anew in the version of today, under the secret that opens it: with
// the same label, time and cost. Its id is a new one, always the same for the same
// slot, so that of several who renew a slot only one stores it.
func (s *Slot) Renewed(root *RootKey, secret Secret) (*Slot, error) {
	keys, err := root.Derive(s.doc.Repository)
	if err != nil {
		return nil, err
	}
	defer keys.Wipe()
	var id SlotID
	err = keys.use(func(d *derivedKeys) {
		sum := hmacSHA256(&d.slots, []byte("renewed\n"+string(s.doc.ID)))
		id = SlotID(hex.EncodeToString(sum[:8]))
	})
	if err != nil {
		return nil, err
	}
	renewed, err := newSlotNamed(id, root, s.doc.Repository, secret, SlotOptions{Label: s.doc.Label, Made: s.doc.Made, Cost: s.Cost()})
	if err != nil {
		return nil, &SlotError{ID: s.doc.ID, Err: err}
	}
	return renewed, nil
}

// newSlot is NewSlot without its lower bound on the cost.
func newSlot(root *RootKey, repo RepositoryID, secret Secret, o SlotOptions) (*Slot, error) {
	return newSlotNamed(SlotID(hex.EncodeToString(randomBytes(8))), root, repo, secret, o)
}

func newSlotNamed(id SlotID, root *RootKey, repo RepositoryID, secret Secret, o SlotOptions) (*Slot, error) {
	if root.material() == nil {
		return nil, fmt.Errorf("seal the root key: %w", ErrEmptySecret)
	}
	if !validLabel(o.Label) {
		return nil, ErrLabel
	}
	doc := slotDocument{
		Version:    SlotVersion,
		ID:         id,
		Repository: repo,
		Kind:       secret.Kind(),
		Label:      o.Label,
		Made:       o.Made.UTC().Truncate(time.Second),
		Salt:       randomBytes(keySize),
		Nonce:      randomBytes(chacha20poly1305.NonceSizeX),
	}
	if doc.Kind == SlotPassphrase {
		if err := o.Cost.check(); err != nil {
			return nil, err
		}
		doc.Argon2id = &o.Cost
	}
	if err := doc.seal(root, secret); err != nil {
		return nil, err
	}
	return &Slot{doc: doc}, nil
}

// Version returns the version of the slot's document. Those of version 1 are made
// anew by [Slot.Renewed].
func (s *Slot) Version() int { return s.doc.Version }

// ID returns the slot's name.
func (s *Slot) ID() SlotID { return s.doc.ID }

// Kind returns the kind of secret that opens the slot.
func (s *Slot) Kind() SlotKind { return s.doc.Kind }

// Repository returns the repository that the slot belongs to.
func (s *Slot) Repository() RepositoryID { return s.doc.Repository }

// Label returns what the slot's maker called it.
func (s *Slot) Label() string { return s.doc.Label }

// Made returns when the slot was made, by its maker's clock, in UTC to the second.
func (s *Slot) Made() time.Time { return s.doc.Made }

// Cost returns what unlocking takes; zero for a key file.
func (s *Slot) Cost() Cost { return s.doc.cost() }

func validSlotID(id SlotID) bool { return parseHex(make([]byte, 8), string(id)) == nil }

func validLabel(label string) bool {
	if len(label) > MaxLabel || !utf8.ValidString(label) {
		return false
	}
	for _, r := range label {
		if !unicode.IsPrint(r) {
			return false
		}
	}
	return true
}

func randomBytes(n int) []byte {
	b := make([]byte, n)
	rand.Read(b) // never fails, as documented there
	return b
}
