package crypt

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math/big"
	"testing"

	"golang.org/x/crypto/chacha20"
)

// XChaCha20-Poly1305 does not commit to its key: of two keys that whoever forges a slot
// knows, a seal of 48 bytes can be solved for that opens under both. Of version 1 that
// makes a slot for two passphrases, so that one opening tests both; version 2 refuses.
func TestSlotUnderTwoSecrets(t *testing.T) {
	one, two := NewKeyFile(), NewKeyFile()
	for _, version := range []int{slotVersion1, SlotVersion} {
		s := cheapSlot1(t, one)
		if version == SlotVersion {
			s = cheapSlot(t, one)
		}
		forged := forge(t, s, func(d *slotDocument) { sealForTwo(t, d, one, two) })
		keys := [2]*[keySize]byte{}
		for i, secret := range []Secret{one, two} {
			var err error
			if keys[i], _, err = forged.doc.slotKeys(secret); err != nil {
				t.Fatal(err)
			}
			if !opens(t, &forged.doc, keys[i][:]) {
				t.Fatalf("version %d: the seal does not open under secret %d: this tests nothing", version, i+1)
			}
		}
		if version == SlotVersion {
			// The MAC can fit one of the two root keys: that of the secret of the check value.
			forged = forge(t, forged, func(d *slotDocument) {
				mac, err := derive(t, rootUnder(t, d, keys[0]), d.Repository).slotMAC(d)
				if err != nil {
					t.Fatal(err)
				}
				d.MAC = mac[:]
			})
		}
		parsed, err := ParseSlot(forged.ID(), marshal(t, forged))
		if err != nil {
			t.Fatal(err)
		}
		first, err1 := parsed.Unlock(one, fixedRepo(), UnlockOptions{})
		second, err2 := parsed.Unlock(two, fixedRepo(), UnlockOptions{})
		if err1 != nil || version == slotVersion1 && (err2 != nil || first.Equal(second)) {
			t.Errorf("version %d: %v, %v: the forged slot of version 1 opens under both, or this tests nothing", version, err1, err2)
		}
		if version == SlotVersion && !errors.Is(err2, ErrWrongSecret) {
			t.Errorf("version %d opens under two secrets: %v, want %v", version, err2, ErrWrongSecret)
		}
	}
}

func rootUnder(t *testing.T, d *slotDocument, key *[keySize]byte) *RootKey {
	t.Helper()
	stream, _ := oneTimeKey(t, key, d.Nonce)
	var root [keySize]byte
	stream.SetCounter(1)
	stream.XORKeyStream(root[:], d.Sealed[:keySize])
	return &RootKey{key: hide(&root)}
}

// sealForTwo solves for ciphertext and tag. The tag is ((c1+2^128) r^3 + (c2+2^128) r^2 +
// l r + a(r) mod p) + s mod 2^128 (RFC 8439, sections 2.5 and 2.8; a is the additional data), for
// each of the two keys with r and s of its own: with c1 chosen and the tags equal,
// one linear equation mod p gives c2.
func sealForTwo(t *testing.T, d *slotDocument, one, two Secret) {
	t.Helper()
	p := new(big.Int).Sub(new(big.Int).Lsh(big.NewInt(1), 130), big.NewInt(5))
	top := new(big.Int).Lsh(big.NewInt(1), 128)
	data := boundOf(t, d)
	var r, s, fixed [2]*big.Int // fixed: the part of the polynomial without c1 and c2
	for i, secret := range []Secret{one, two} {
		key, _, err := d.slotKeys(secret)
		if err != nil {
			t.Fatal(err)
		}
		_, poly := oneTimeKey(t, key, d.Nonce)
		r[i], s[i] = poly[0], poly[1]
		fixed[i] = polynomial(append(padded(data), make([]byte, 32)...), len(data), r[i], p)
	}
	square := func(i int) *big.Int { return new(big.Int).Exp(r[i], big.NewInt(2), p) }
	cube := func(i int) *big.Int { return new(big.Int).Exp(r[i], big.NewInt(3), p) }
	mod := func(x *big.Int) *big.Int { return x.Mod(x, p) }
	inverse := new(big.Int).ModInverse(mod(new(big.Int).Sub(square(0), square(1))), p)
	for try := range 1000 {
		c1 := new(big.Int).SetBytes(bytes.Repeat([]byte{byte(try), byte(try >> 8), 0x5a, 0xc3}, 4))
		// (c1 r1^3 + c2 r1^2 + f1) - (c1 r2^3 + c2 r2^2 + f2) = s2 - s1
		right := new(big.Int).Sub(s[1], s[0])
		right.Sub(right, fixed[0]).Add(right, fixed[1])
		right.Sub(right, new(big.Int).Mul(c1, new(big.Int).Sub(cube(0), cube(1))))
		c2 := mod(right.Mul(right, inverse))
		if c2.Cmp(top) >= 0 {
			continue
		}
		var tags [2]*big.Int
		for i := range tags {
			sum := new(big.Int).Mul(c1, cube(i))
			sum.Add(sum, new(big.Int).Mul(c2, square(i))).Add(sum, fixed[i])
			tags[i] = new(big.Int).Mod(mod(sum).Add(sum, s[i]), top)
		}
		if tags[0].Cmp(tags[1]) != 0 {
			continue // p was passed once more by one of them
		}
		d.Sealed = nil
		for _, block := range []*big.Int{c1, c2, tags[0]} {
			d.Sealed = append(d.Sealed, littleEndian(block)...)
		}
		return
	}
	t.Fatal("no seal for both keys found")
}

// oneTimeKey gives the stream of XChaCha20, and r and s of Poly1305 (RFC 8439,
// section 2.6).
func oneTimeKey(t *testing.T, key *[keySize]byte, nonce []byte) (*chacha20.Cipher, [2]*big.Int) {
	t.Helper()
	stream, err := chacha20.NewUnauthenticatedCipher(key[:], nonce)
	if err != nil {
		t.Fatal(err)
	}
	block := make([]byte, 64)
	stream.XORKeyStream(block, block)
	for i, mask := range []byte{3: 15, 4: 252, 7: 15, 8: 252, 11: 15, 12: 252, 15: 15} {
		if mask != 0 {
			block[i] &= mask
		}
	}
	return stream, [2]*big.Int{number(block[:16]), number(block[16:32])}
}

// polynomial gives that of Poly1305 for padded additional data, two blocks of ciphertext
// and the block of lengths.
func polynomial(blocks []byte, data int, r, p *big.Int) *big.Int {
	lengths := binary.LittleEndian.AppendUint64(binary.LittleEndian.AppendUint64(nil, uint64(data)), 32)
	blocks = append(blocks, lengths...)
	sum := new(big.Int)
	for ; len(blocks) > 0; blocks = blocks[16:] {
		sum.Add(sum, number(blocks[:16])).Add(sum, new(big.Int).Lsh(big.NewInt(1), 128))
		sum.Mul(sum, r).Mod(sum, p)
	}
	return sum
}

func padded(b []byte) []byte {
	return append(bytes.Clone(b), make([]byte, (16-len(b)%16)%16)...)
}

func number(b []byte) *big.Int {
	reversed := make([]byte, len(b))
	for i := range b {
		reversed[len(b)-1-i] = b[i]
	}
	return new(big.Int).SetBytes(reversed)
}

func littleEndian(x *big.Int) []byte {
	b := x.FillBytes(make([]byte, 16))
	for i := range 8 {
		b[i], b[15-i] = b[15-i], b[i]
	}
	return b
}
