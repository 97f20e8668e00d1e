package crypt

import "encoding/hex"

// Group stands for the captures of one name where those of different names share no
// chunks.
type Group [16]byte

// String gives hexadecimal digits.
func (g Group) String() string { return hex.EncodeToString(g[:]) }

// Group gives the group of the captures of a name: a keyed hash of it, so that it tells
// nothing to whoever lacks the key. It may be called concurrently.
func (k *Keys) Group(name string) Group {
	h := newKeyedBLAKE3(&k.derived.get().groups)
	h.WriteString(name)
	var sum [32]byte
	return Group(h.Sum(sum[:0])[:16])
}
