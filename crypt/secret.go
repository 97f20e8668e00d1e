package crypt

import (
	"bytes"
	"crypto/hkdf"
	"crypto/sha256"
	"fmt"
	"io"

	"golang.org/x/crypto/argon2"
)

// MaxPassphrase is the greatest length of a passphrase in bytes.
const MaxPassphrase = 4096

// labelKeyFile is the HKDF info of a key-file slot.
const labelKeyFile = "kist 1 key file slot"

// Secret opens key slots of its kind: a [*Passphrase] or a [*KeyFile].
type Secret interface {
	// Kind is the kind of slot that the secret opens.
	Kind() SlotKind

	// stretch makes guessing as costly as the slot says.
	stretch(salt []byte, cost Cost) (*[keySize]byte, error)

	// slotKey derives the key that seals the root key in a slot of version 1.
	slotKey(salt []byte, cost Cost) (*[keySize]byte, error)
}

// Passphrase is a secret that a person chose. It prints as "[secret]".
//
// Its bytes are used as they are. They are not brought into a Unicode normal
// form, since that would tie old slots to the tables of a Unicode version and
// change what a passphrase file says; so a letter that can be written in two
// ways (such as an accented one) must be given in the same way each time.
type Passphrase struct {
	redacted
	text hidden[[]byte]
}

// NewPassphrase copies text. It fails with [ErrEmptySecret] or [ErrPassphraseTooLong].
func NewPassphrase(text []byte) (*Passphrase, error) {
	switch {
	case len(text) == 0:
		return nil, ErrEmptySecret
	case len(text) > MaxPassphrase:
		return nil, ErrPassphraseTooLong
	}
	text = bytes.Clone(text)
	return &Passphrase{text: hide(&text)}, nil
}

// ReadPassphrase reads all of r. One line end ("\n" or "\r\n") at the end is
// dropped, since editors and echo write one; everything else counts. It reads
// at most [MaxPassphrase] bytes and the line end. It fails as [NewPassphrase]
// does and when r does.
func ReadPassphrase(r io.Reader) (*Passphrase, error) {
	const longestLineEnd = 2
	text, err := io.ReadAll(io.LimitReader(r, MaxPassphrase+longestLineEnd+1))
	defer clear(text)
	if err != nil {
		return nil, fmt.Errorf("read the passphrase: %w", err)
	}
	if line, ended := bytes.CutSuffix(text, []byte("\n")); ended {
		return NewPassphrase(bytes.TrimSuffix(line, []byte("\r")))
	}
	return NewPassphrase(text)
}

// Kind returns [SlotPassphrase].
func (p *Passphrase) Kind() SlotKind { return SlotPassphrase }

// Wipe overwrites the passphrase, which then opens nothing.
func (p *Passphrase) Wipe() {
	if text := p.text.take(); text != nil {
		clear(*text)
	}
}

// stretch is Argon2id (RFC 9106), version 0x13, without secret or associated data.
func (p *Passphrase) stretch(salt []byte, cost Cost) (*[keySize]byte, error) {
	if p == nil || p.text.get() == nil {
		return nil, ErrEmptySecret
	}
	key := argon2.IDKey(*p.text.get(), salt, cost.Passes, cost.MemoryKiB, uint8(cost.Lanes), keySize)
	return (*[keySize]byte)(key), nil
}

// slotKey in version 1 is the stretched passphrase.
func (p *Passphrase) slotKey(salt []byte, cost Cost) (*[keySize]byte, error) {
	return p.stretch(salt, cost)
}

// KeyFile is a secret of 32 random bytes, kept in a file for timers and other
// callers without a person. It prints as "[secret]".
type KeyFile struct {
	redacted
	key hidden[[keySize]byte]
}

// NewKeyFile returns a random key. Save it with WriteTo.
func NewKeyFile() *KeyFile {
	return &KeyFile{key: hide(newKey())}
}

// ReadKeyFile reads all of r, which must hold exactly 32 bytes; otherwise it
// fails with [ErrKeyFileSize], having read no more than one byte beyond.
func ReadKeyFile(r io.Reader) (*KeyFile, error) {
	content, err := io.ReadAll(io.LimitReader(r, keySize+1))
	defer clear(content)
	if err != nil {
		return nil, fmt.Errorf("read the key file: %w", err)
	}
	if len(content) != keySize {
		return nil, ErrKeyFileSize
	}
	key := [keySize]byte(content)
	return &KeyFile{key: hide(&key)}, nil
}

// WriteTo writes the key's 32 bytes in the clear: w must be a place that only
// its owner can read.
func (k *KeyFile) WriteTo(w io.Writer) (int64, error) {
	key := k.key.get()
	if key == nil {
		return 0, ErrEmptySecret
	}
	n, err := w.Write(key[:])
	return int64(n), err
}

// Kind returns [SlotKeyFile].
func (k *KeyFile) Kind() SlotKind { return SlotKeyFile }

// Wipe overwrites the key, which then opens nothing.
func (k *KeyFile) Wipe() {
	if key := k.key.take(); key != nil {
		clear(key[:])
	}
}

// stretch gives the key itself: a random one needs no costly derivation.
func (k *KeyFile) stretch([]byte, Cost) (*[keySize]byte, error) {
	if k == nil || k.key.get() == nil {
		return nil, ErrEmptySecret
	}
	key := *k.key.get()
	return &key, nil
}

// slotKey in version 1 is HKDF-SHA-256 (RFC 5869).
func (k *KeyFile) slotKey(salt []byte, _ Cost) (*[keySize]byte, error) {
	if k == nil || k.key.get() == nil {
		return nil, ErrEmptySecret
	}
	key, err := hkdf.Key(sha256.New, k.key.get()[:], salt, labelKeyFile, keySize)
	if err != nil {
		return nil, fmt.Errorf("derive the slot key: %w", err)
	}
	return (*[keySize]byte)(key), nil
}
