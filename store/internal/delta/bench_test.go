package delta

import "testing"

// One byte in 500 is another: what pages of a database look like between two captures.
func alike() (base, target []byte) {
	base = noise(256<<10, 5)
	target = append(target, base...)
	for i := 0; i < len(target); i += 500 {
		target[i] ^= 1
	}
	return base, target
}

func BenchmarkEncode(b *testing.B) {
	base, target := alike()
	var e Encoder
	var copies, literals []byte
	b.SetBytes(int64(len(target)))
	for b.Loop() {
		copies, literals = e.Encode(copies[:0], literals[:0], base, target)
	}
}

func BenchmarkApply(b *testing.B) {
	base, target := alike()
	var e Encoder
	copies, literals := e.Encode(nil, nil, base, target)
	var got []byte
	b.SetBytes(int64(len(target)))
	for b.Loop() {
		got, _ = Apply(got[:0], copies, literals, len(target), base)
	}
}

func BenchmarkAnchors(b *testing.B) {
	s := NewSampler()
	base, _ := alike()
	var anchors []uint64
	b.SetBytes(int64(len(base)))
	for b.Loop() {
		anchors = s.Append(anchors[:0], base, 1024)
	}
}

// Nothing in common: what most of a target is.
func BenchmarkEncodeUnlike(b *testing.B) {
	base, target := noise(1<<20, 6), noise(256<<10, 7)
	var e Encoder
	var copies, literals []byte
	b.SetBytes(int64(len(target)))
	for b.Loop() {
		copies, literals = e.Encode(copies[:0], literals[:0], base, target)
	}
}
