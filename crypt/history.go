package crypt

import (
	"crypto/hkdf"
	"crypto/sha256"
	"fmt"

	"github.com/zeebo/blake3"
)

// captureHashDomain keeps the hashes of captures apart from all others.
const captureHashDomain = "kist 1 capture hash"

// HashCapture returns the hash by which later captures, and people, know a capture
// again: BLAKE3, without a key, over a domain text and what its record says.
func HashCapture(record []byte) Digest {
	h := blake3.New()
	h.WriteString(captureHashDomain) // never fails
	h.Write(record)
	return Digest(h.Sum(nil))
}

// fingerprintInfo is never that of a key: see the labels in keys.go.
const fingerprintInfo = "kist state 1 root key fingerprint"

// Fingerprint returns what tells this root key of a repository from any other one, and
// nothing of the key: HKDF-SHA-256 (RFC 5869) as for the derived keys, with an info of
// its own. A machine may keep it. It fails with [ErrEmptySecret] on a wiped key.
func (k *RootKey) Fingerprint(repo RepositoryID) (Digest, error) {
	key := k.material()
	if key == nil {
		return Digest{}, fmt.Errorf("fingerprint of the root key: %w", ErrEmptySecret)
	}
	sum, err := hkdf.Key(sha256.New, key[:], repo[:], fingerprintInfo, len(Digest{}))
	if err != nil {
		return Digest{}, fmt.Errorf("fingerprint of the root key: %w", err)
	}
	return Digest(sum), nil
}
