package crypt

import (
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"fmt"
	"io"
	"sync"

	"github.com/zeebo/blake3"
)

// keySize is the length of every symmetric key here: 256 bits.
const keySize = 32

// The HKDF info of each derived key. A label is never reused for another purpose.
const (
	labelIdentity = "kist 1 chunk identity"
	labelBoundary = "kist 1 chunk boundaries"
	labelWrapping = "kist 1 object key wrapping"
	labelManifest = "kist 1 repository file"
	labelSlots    = "kist 1 key slots"
	labelGroups   = "kist 1 groups"
)

// RepositoryID names a repository: 128 random bits, not secret.
type RepositoryID [16]byte

// NewRepositoryID returns a random id.
func NewRepositoryID() RepositoryID {
	var id RepositoryID
	rand.Read(id[:]) // never fails, as documented there
	return id
}

// ParseRepositoryID reads the form that String writes: 32 lower-case
// hexadecimal digits.
func ParseRepositoryID(s string) (RepositoryID, error) {
	var id RepositoryID
	if err := parseHex(id[:], s); err != nil {
		return RepositoryID{}, fmt.Errorf("repository id %.40q: %w", s, err)
	}
	return id, nil
}

// String returns 32 lower-case hexadecimal digits.
func (id RepositoryID) String() string { return hex.EncodeToString(id[:]) }

// MarshalText returns what String returns.
func (id RepositoryID) MarshalText() ([]byte, error) { return []byte(id.String()), nil }

// UnmarshalText accepts what [ParseRepositoryID] does.
func (id *RepositoryID) UnmarshalText(text []byte) error {
	parsed, err := ParseRepositoryID(string(text))
	if err != nil {
		return err
	}
	*id = parsed
	return nil
}

// RootKey is the one key that opens a repository: 32 random bytes. It prints
// as "[secret]". Its methods may be called concurrently, Wipe excepted.
type RootKey struct {
	redacted
	key hidden[[keySize]byte]
}

// NewRootKey returns a random root key.
func NewRootKey() *RootKey {
	return &RootKey{key: hide(newKey())}
}

// Equal reports in constant time whether both are the same key.
func (k *RootKey) Equal(other *RootKey) bool {
	a, b := k.material(), other.material()
	return a != nil && b != nil && subtle.ConstantTimeCompare(a[:], b[:]) == 1
}

// Clone returns the same key, for who wipes it by itself. Of a wiped one it returns a wiped one.
func (k *RootKey) Clone() *RootKey {
	c := new(RootKey)
	if key := k.material(); key != nil {
		same := *key
		c.key = hide(&same)
	}
	return c
}

// Wipe overwrites the key. Keys derived from it stay usable until they are wiped
// themselves.
func (k *RootKey) Wipe() {
	if key := k.key.take(); key != nil {
		clear(key[:])
	}
}

// material returns nil for a key that is nil, wiped or was never made.
func (k *RootKey) material() *[keySize]byte {
	if k == nil {
		return nil
	}
	return k.key.get()
}

// Derive returns the keys of the repository, by HKDF-SHA-256 (RFC 5869) with
// the repository id as the salt and a label for each purpose. It fails with
// [ErrEmptySecret] on a wiped key.
func (k *RootKey) Derive(repo RepositoryID) (*Keys, error) {
	key := k.material()
	if key == nil {
		return nil, fmt.Errorf("derive keys from the root key: %w", ErrEmptySecret)
	}
	extracted, err := hkdf.Extract(sha256.New, key[:], repo[:])
	if err != nil {
		return nil, fmt.Errorf("derive keys from the root key: %w", err)
	}
	d := new(derivedKeys)
	for _, purpose := range []struct {
		label string
		key   *[keySize]byte
	}{
		{labelIdentity, &d.identity},
		{labelBoundary, &d.boundary},
		{labelWrapping, &d.wrapping},
		{labelManifest, &d.manifest},
		{labelSlots, &d.slots},
		{labelGroups, &d.groups},
	} {
		derived, err := hkdf.Expand(sha256.New, extracted, purpose.label, keySize)
		if err != nil {
			return nil, fmt.Errorf("derive the key for %q: %w", purpose.label, err)
		}
		copy(purpose.key[:], derived)
	}
	return &Keys{derived: hide(d)}, nil
}

// Keys are the keys that one repository derives from its root key. They print
// as "[secret]". All methods may be called concurrently, Wipe too.
type Keys struct {
	redacted
	derived hidden[derivedKeys]
}

type derivedKeys struct {
	using sync.RWMutex // so that Wipe waits for who reads a key
	wiped bool

	identity, boundary, wrapping, manifest, slots, groups [keySize]byte
}

// Wipe overwrites the keys. What was made of them before, a [Sealer], [Opener],
// [Hasher] or boundary source, stays usable; nothing new comes of them.
func (k *Keys) Wipe() {
	d := k.derived.get()
	if d == nil {
		return
	}
	d.using.Lock()
	defer d.using.Unlock()
	d.wiped = true
	for _, key := range []*[keySize]byte{&d.identity, &d.boundary, &d.wrapping, &d.manifest, &d.slots, &d.groups} {
		clear(key[:])
	}
}

// use calls f with the keys. It fails with [ErrKeysWiped], without a call.
func (k *Keys) use(f func(d *derivedKeys)) error {
	d := k.derived.get()
	if d == nil {
		return ErrKeysWiped
	}
	d.using.RLock()
	defer d.using.RUnlock()
	if d.wiped {
		return ErrKeysWiped
	}
	f(d)
	return nil
}

// Wiped returns [ErrKeysWiped] once Wipe was called, and nil before.
func (k *Keys) Wiped() error { return k.use(func(*derivedKeys) {}) }

// BoundarySource returns an endless stream of bytes, the same for every call,
// from which a chunker derives its polynomial, so that the lengths of chunks
// tell nothing to whoever lacks the key. It is the output of BLAKE3, keyed, for
// the empty input. Reads fail with [ErrKeysWiped] where the keys were wiped before the
// call, and never else; the reader is for one goroutine.
func (k *Keys) BoundarySource() io.Reader {
	s := new(boundarySource)
	s.err = k.use(func(d *derivedKeys) { s.stream = newKeyedBLAKE3(&d.boundary).Digest() })
	return s
}

type boundarySource struct {
	redacted
	stream *blake3.Digest
	err    error
}

func (s *boundarySource) Read(p []byte) (int, error) {
	if s.err != nil {
		return 0, s.err
	}
	return s.stream.Read(p)
}

// ManifestMAC authenticates the repository's readable file by HMAC-SHA-256
// (RFC 2104). Wiped keys give zeros, which [Keys.CheckManifest] refuses.
func (k *Keys) ManifestMAC(message []byte) [32]byte {
	mac, _ := k.manifestMAC(message)
	return mac
}

func (k *Keys) manifestMAC(message []byte) (mac [32]byte, err error) {
	err = k.use(func(d *derivedKeys) { mac = hmacSHA256(&d.manifest, message) })
	return mac, err
}

// CheckManifest reports in constant time whether mac is the message's
// [Keys.ManifestMAC]; of wiped keys nothing is.
func (k *Keys) CheckManifest(message []byte, mac [32]byte) bool {
	want, err := k.manifestMAC(message)
	return err == nil && hmac.Equal(want[:], mac[:])
}

// hmacSHA256 is HMAC-SHA-256 (RFC 2104).
func hmacSHA256(key *[keySize]byte, message []byte) [32]byte {
	mac := hmac.New(sha256.New, key[:])
	mac.Write(message)
	return [32]byte(mac.Sum(nil))
}

func newKey() *[keySize]byte {
	key := new([keySize]byte)
	rand.Read(key[:]) // never fails, as documented there
	return key
}

func newKeyedBLAKE3(key *[keySize]byte) *blake3.Hasher {
	h, err := blake3.NewKeyed(key[:])
	if err != nil {
		panic(err) // only for a key of another length
	}
	return h
}

// parseHex fills dst from exactly as many lower-case digits as it needs, so
// that each value has one text.
func parseHex(dst []byte, s string) error {
	if len(s) != hex.EncodedLen(len(dst)) {
		return fmt.Errorf("want %d hexadecimal digits", hex.EncodedLen(len(dst)))
	}
	for _, c := range []byte(s) {
		if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return fmt.Errorf("want lower-case hexadecimal digits")
		}
	}
	_, err := hex.Decode(dst, []byte(s))
	return err
}
