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
	key *[keySize]byte
}

// NewRootKey returns a random root key.
func NewRootKey() *RootKey {
	k := &RootKey{key: new([keySize]byte)}
	rand.Read(k.key[:]) // never fails, as documented there
	return k
}

// Equal reports in constant time whether both are the same key.
func (k *RootKey) Equal(other *RootKey) bool {
	if k.empty() || other.empty() {
		return false
	}
	return subtle.ConstantTimeCompare(k.key[:], other.key[:]) == 1
}

// Wipe overwrites the key. Keys derived from it stay usable.
func (k *RootKey) Wipe() {
	if k.empty() {
		return
	}
	clear(k.key[:])
	k.key = nil
}

func (k *RootKey) empty() bool { return k == nil || k.key == nil }

// Derive returns the keys of the repository, by HKDF-SHA-256 (RFC 5869) with
// the repository id as the salt and a label for each purpose. It fails with
// [ErrEmptySecret] on a wiped key.
func (k *RootKey) Derive(repo RepositoryID) (*Keys, error) {
	if k.empty() {
		return nil, fmt.Errorf("derive keys from the root key: %w", ErrEmptySecret)
	}
	extracted, err := hkdf.Extract(sha256.New, k.key[:], repo[:])
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
	} {
		key, err := hkdf.Expand(sha256.New, extracted, purpose.label, keySize)
		if err != nil {
			return nil, fmt.Errorf("derive the key for %q: %w", purpose.label, err)
		}
		copy(purpose.key[:], key)
	}
	return &Keys{derived: d}, nil
}

// Keys are the keys that one repository derives from its root key. They print
// as "[secret]". All methods may be called concurrently.
type Keys struct {
	redacted
	derived *derivedKeys
}

type derivedKeys struct {
	identity, boundary, wrapping, manifest [keySize]byte
}

// BoundarySource returns an endless stream of bytes, the same for every call,
// from which a chunker derives its polynomial, so that the lengths of chunks
// tell nothing to whoever lacks the key. It is the output of BLAKE3, keyed, for
// the empty input. Reads never fail; the reader is for one goroutine.
func (k *Keys) BoundarySource() io.Reader {
	return &boundarySource{stream: newKeyedBLAKE3(&k.derived.boundary).Digest()}
}

type boundarySource struct {
	redacted
	stream *blake3.Digest
}

func (s *boundarySource) Read(p []byte) (int, error) { return s.stream.Read(p) }

// ManifestMAC authenticates the repository's readable file by HMAC-SHA-256
// (RFC 2104).
func (k *Keys) ManifestMAC(message []byte) [32]byte {
	mac := hmac.New(sha256.New, k.derived.manifest[:])
	mac.Write(message)
	return [32]byte(mac.Sum(nil))
}

// CheckManifest reports in constant time whether mac is the message's [Keys.ManifestMAC].
func (k *Keys) CheckManifest(message []byte, mac [32]byte) bool {
	want := k.ManifestMAC(message)
	return hmac.Equal(want[:], mac[:])
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
