package crypt

import (
	"fmt"
	"testing"
)

func BenchmarkHasherSum(b *testing.B) {
	h := derive(b, fixedRoot(), fixedRepo()).NewHasher()
	for _, size := range []int{1 << 10, 16 << 10, 1 << 20} {
		b.Run(fmt.Sprintf("%dKiB", size>>10), func(b *testing.B) {
			chunk := make([]byte, size)
			b.SetBytes(int64(size))
			b.ReportAllocs()
			for b.Loop() {
				h.Sum(chunk)
			}
		})
	}
}

func BenchmarkDigestHasherAdd(b *testing.B) {
	d := NewDigestHasher()
	b.ReportAllocs()
	for b.Loop() {
		d.Add(Identity{}, 16<<10)
	}
}

func BenchmarkSealAndOpen(b *testing.B) {
	keys := derive(b, fixedRoot(), fixedRepo())
	s, wrapped := newSealer(b, keys, fixedName())
	o := newOpener(b, keys, fixedName(), wrapped)
	const size = 512 << 10 // a frame of 1 MiB, compressed by half
	plaintext := make([]byte, size)
	sealed := s.Seal(nil, plaintext, Piece{PieceFrame, 0})
	b.Run("Seal", func(b *testing.B) {
		dst := make([]byte, 0, size+Overhead)
		b.SetBytes(size)
		b.ReportAllocs()
		for b.Loop() {
			s.Seal(dst, plaintext, Piece{PieceFrame, 0})
		}
	})
	b.Run("Open", func(b *testing.B) {
		dst := make([]byte, 0, size)
		b.SetBytes(size)
		b.ReportAllocs()
		for b.Loop() {
			if _, err := o.Open(dst, sealed, Piece{PieceFrame, 0}); err != nil {
				b.Fatal(err)
			}
		}
	})
}

func BenchmarkNewOpener(b *testing.B) {
	keys := derive(b, fixedRoot(), fixedRepo())
	_, wrapped := newSealer(b, keys, fixedName())
	b.ReportAllocs()
	for b.Loop() {
		newOpener(b, keys, fixedName(), wrapped)
	}
}

func BenchmarkUnlock(b *testing.B) {
	for name, secret := range secrets(b) {
		b.Run(name, func(b *testing.B) {
			s, err := NewSlot(fixedRoot(), fixedRepo(), secret, SlotOptions{})
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := s.Unlock(secret, fixedRepo(), UnlockOptions{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
