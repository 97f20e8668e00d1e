package crypt

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"

	"github.com/zeebo/blake3"
)

// Digest stands for a whole stream: the BLAKE3 hash over its chunks'
// identities and lengths in order. Two streams cut into the same chunks have
// the same digest, whether or not their content was read.
type Digest [32]byte

// ParseDigest reads the form that String writes: 64 lower-case hexadecimal digits.
func ParseDigest(s string) (Digest, error) {
	var d Digest
	if err := parseHex(d[:], s); err != nil {
		return Digest{}, fmt.Errorf("digest %.72q: %w", s, err)
	}
	return d, nil
}

// String returns 64 lower-case hexadecimal digits.
func (d Digest) String() string { return hex.EncodeToString(d[:]) }

// MarshalText returns what String returns.
func (d Digest) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText accepts what [ParseDigest] does.
func (d *Digest) UnmarshalText(text []byte) error {
	parsed, err := ParseDigest(string(text))
	if err != nil {
		return err
	}
	*d = parsed
	return nil
}

// DigestHasher computes a [Digest] from chunks added in order: BLAKE3, without
// a key (the identities are keyed), over 24 bytes for each chunk, which are its
// identity and its length as an unsigned 64-bit little-endian number. It is for
// one goroutine.
type DigestHasher struct {
	hash   *blake3.Hasher
	record [len(Identity{}) + 8]byte
}

// NewDigestHasher returns the hasher of a stream without chunks yet.
func NewDigestHasher() *DigestHasher { return &DigestHasher{hash: blake3.New()} }

// Add appends a chunk of length bytes, which must not be negative.
func (h *DigestHasher) Add(id Identity, length int) {
	copy(h.record[:], id[:])
	binary.LittleEndian.PutUint64(h.record[len(id):], uint64(length))
	h.hash.Write(h.record[:]) // never fails
}

// repeats is how many chunks AddTimes hashes in one go: some KiB let BLAKE3 use all the
// lanes that a processor has, and stay in a core's first cache.
const repeats = 512

// AddTimes appends the same chunk several times: it is for long stretches of zeros, at a
// fraction of what Add takes.
func (h *DigestHasher) AddTimes(id Identity, length int, times uint64) {
	if times < repeats {
		for range times {
			h.Add(id, length)
		}
		return
	}
	h.Add(id, length)
	times--
	block := bytes.Repeat(h.record[:], repeats)
	for ; times > 0; times -= min(times, repeats) {
		h.hash.Write(block[:min(times, repeats)*uint64(len(h.record))]) // never fails
	}
}

// Sum returns the digest of the chunks added so far; more may be added after it.
func (h *DigestHasher) Sum() Digest { return Digest(h.hash.Sum(nil)) }
