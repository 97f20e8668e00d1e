package crypt

import (
	"encoding/hex"

	"github.com/zeebo/blake3"
)

// Identity identifies a chunk by its content: the first 16 bytes of BLAKE3,
// keyed with a key of the repository.
//
// 128 bits suffice. Without the key nobody can compute identities, so nobody
// can search for two contents with the same one, nor test whether a known file
// is stored. By chance, among 2^30 chunks (16 TiB of 16 KiB chunks), some two
// collide with a probability of about 2^(2*30-1-128) = 2^-69. A holder of the
// key could search for a collision with 2^64 hashes, and would gain only the
// exchange of one content of their own for another.
type Identity [16]byte

// String returns 32 lower-case hexadecimal digits.
func (id Identity) String() string { return hex.EncodeToString(id[:]) }

// Hasher computes the identities of chunks. It prints as "[secret]". It is for
// one goroutine; any number of Hashers may work at the same time.
type Hasher struct {
	redacted
	keyed hidden[blake3.Hasher]
	sum   []byte
}

// NewHasher returns a [Hasher]. Make one for each goroutine and keep it: it
// holds about 10 KB, and Sum allocates nothing. Of wiped keys it is one under a random
// key: its identities are those of no repository.
func (k *Keys) NewHasher() *Hasher {
	h := &Hasher{sum: make([]byte, 0, 32)}
	if k.use(func(d *derivedKeys) { h.keyed = hide(newKeyedBLAKE3(&d.identity)) }) != nil {
		h.keyed = hide(newKeyedBLAKE3(newKey()))
	}
	return h
}

// Sum returns the identity of a chunk's content. It does not retain the chunk.
func (h *Hasher) Sum(chunk []byte) Identity {
	keyed := h.keyed.get()
	keyed.Reset()
	keyed.Write(chunk) // never fails
	h.sum = keyed.Sum(h.sum[:0])
	return Identity(h.sum[:len(Identity{})])
}
