package crypt

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"

	"golang.org/x/crypto/chacha20poly1305"
	"pgregory.net/rapid"
)

func fixedName() ObjectName {
	return ObjectName{Repository: fixedRepo(), Kind: "slab", Name: "7f3a"}
}

func newSealer(t testing.TB, k *Keys, n ObjectName) (*Sealer, []byte) {
	t.Helper()
	s, kind, wrapped, err := k.NewSealer(n)
	if err != nil {
		t.Fatal(err)
	}
	if kind != WrapXChaCha20Poly1305 || len(wrapped) != WrappedSize {
		t.Fatalf("wrapping %d of %d bytes", kind, len(wrapped))
	}
	return s, wrapped
}

func newOpener(t testing.TB, k *Keys, n ObjectName, wrapped []byte) *Opener {
	t.Helper()
	o, err := k.NewOpener(n, WrapXChaCha20Poly1305, wrapped)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// placeData is the additional data as documented, written out a second time.
func placeData(domain string, n ObjectName) []byte {
	var b bytes.Buffer
	for _, f := range []string{domain, string(n.Repository[:]), n.Kind, n.Name} {
		b.Write([]byte{byte(len(f)), byte(len(f) >> 8), 0, 0})
		b.WriteString(f)
	}
	return b.Bytes()
}

// Wiring: the pieces are those of RFC 8439 under the documented nonce and
// additional data, the wrapping that of XChaCha20-Poly1305.
func TestSealIsChaCha20Poly1305(t *testing.T) {
	keys, name := derive(t, fixedRoot(), fixedRepo()), fixedName()
	s, wrapped := newSealer(t, keys, name)

	wrapper, err := chacha20poly1305.NewX(keys.derived.get().wrapping[:])
	if err != nil {
		t.Fatal(err)
	}
	key, err := wrapper.Open(nil, wrapped[:24], wrapped[24:], append(placeData("kist 1 wrapping", name), 1, 0))
	if err != nil {
		t.Fatalf("unwrap the object key: %v", err)
	}
	aead, err := chacha20poly1305.New(key)
	if err != nil {
		t.Fatal(err)
	}
	piece := Piece{PieceSection, 0x0102030405060708}
	nonce := []byte{2, 0, 0, 0, 8, 7, 6, 5, 4, 3, 2, 1}
	want := aead.Seal([]byte("before"), nonce, []byte("plaintext"), append(placeData("kist 1 piece", name), nonce...))
	if got := s.Seal([]byte("before"), []byte("plaintext"), piece); !bytes.Equal(got, want) {
		t.Errorf("sealed %x\nwant   %x", got, want)
	}
}

func TestSealRoundTrip(t *testing.T) {
	keys := derive(t, fixedRoot(), fixedRepo())
	rapid.Check(t, func(rt *rapid.T) {
		name := ObjectName{fixedRepo(), rapid.String().Draw(rt, "kind"), rapid.String().Draw(rt, "name")}
		piece := Piece{PieceKind(rapid.Uint32().Draw(rt, "piece kind")), rapid.Uint64().Draw(rt, "number")}
		plaintext := rapid.SliceOf(rapid.Byte()).Draw(rt, "plaintext")
		before := rapid.SliceOf(rapid.Byte()).Draw(rt, "before")

		s, wrapped := newSealer(t, keys, name)
		sealed := s.Seal(bytes.Clone(before), plaintext, piece)
		if len(sealed) != len(before)+len(plaintext)+Overhead || !bytes.HasPrefix(sealed, before) {
			rt.Fatalf("%d bytes sealed as %d after %d", len(plaintext), len(sealed), len(before))
		}
		opened, err := newOpener(t, keys, name, wrapped).Open(bytes.Clone(before), sealed[len(before):], piece)
		if err != nil || !bytes.Equal(opened, append(before, plaintext...)) {
			rt.Fatalf("opened %x, %v", opened, err)
		}
	})
}

func TestSealInPlace(t *testing.T) {
	keys := derive(t, fixedRoot(), fixedRepo())
	s, wrapped := newSealer(t, keys, fixedName())
	buf := append(make([]byte, 0, 64), "catalogue"...)
	sealed := s.Seal(buf[:0], buf, Piece{PieceFrame, 0})
	if &sealed[0] != &buf[0] {
		t.Error("did not seal in place")
	}
	opened, err := newOpener(t, keys, fixedName(), wrapped).Open(sealed[:0], sealed, Piece{PieceFrame, 0})
	if err != nil || string(opened) != "catalogue" {
		t.Errorf("opened %q, %v", opened, err)
	}
}

// A sealed piece or a wrapped key in any other place does not open.
func TestMovedPiecesDoNotOpen(t *testing.T) {
	keys, name, piece := derive(t, fixedRoot(), fixedRepo()), fixedName(), Piece{PieceFrame, 7}
	s, wrapped := newSealer(t, keys, name)
	sealed := s.Seal(nil, []byte("plaintext"), piece)

	moved := map[string]ObjectName{
		"repository": {NewRepositoryID(), name.Kind, name.Name},
		"kind":       {name.Repository, "table", name.Name},
		"name":       {name.Repository, name.Kind, "7f3b"},
		"no name":    {name.Repository, name.Kind, ""},
		// The same bytes but for where one field ends and the next begins.
		"shifted": {name.Repository, name.Kind + name.Name, ""},
	}
	for what, n := range moved {
		if _, err := keys.NewOpener(n, WrapXChaCha20Poly1305, wrapped); !errors.Is(err, ErrDamaged) {
			t.Errorf("another %s: the wrapped key says %v", what, err)
		}
		// The same object key, as if its wrapping had been moved along.
		elsewhere := &Opener{pieces: samePieceKey(t, keys, name, wrapped, n)}
		if _, err := elsewhere.Open(nil, sealed, piece); !errors.Is(err, ErrDamaged) {
			t.Errorf("another %s: the piece says %v", what, err)
		}
	}
	o := newOpener(t, keys, name, wrapped)
	for what, p := range map[string]Piece{
		"piece kind": {PieceSection, 7}, "number": {PieceFrame, 8}, "high number": {PieceFrame, 7 | 1<<63},
	} {
		_, err := o.Open(nil, sealed, p)
		if !errors.Is(err, ErrDamaged) {
			t.Errorf("another %s: the piece says %v", what, err)
		} else if !strings.Contains(err.Error(), fmt.Sprintf("slab 7f3a: %v", p)) {
			t.Errorf("the error does not name the piece: %v", err)
		}
	}
	if _, err := derive(t, NewRootKey(), fixedRepo()).NewOpener(name, WrapXChaCha20Poly1305, wrapped); !errors.Is(err, ErrDamaged) {
		t.Errorf("another root key: the wrapped key says %v", err)
	}
	if opened, err := o.Open(nil, sealed, piece); err != nil || string(opened) != "plaintext" {
		t.Errorf("in its own place: %q, %v", opened, err)
	}
}

// samePieceKey unwraps the key of one object for the pieces of another.
func samePieceKey(t *testing.T, k *Keys, from ObjectName, wrapped []byte, to ObjectName) *pieceCipher {
	t.Helper()
	wrapper, err := chacha20poly1305.NewX(k.derived.get().wrapping[:])
	if err != nil {
		t.Fatal(err)
	}
	key, err := wrapper.Open(nil, wrapped[:24], wrapped[24:], wrappingData(from, WrapXChaCha20Poly1305))
	if err != nil {
		t.Fatal(err)
	}
	c, err := newPieceCipher(to, key)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestFlippedBitsDoNotOpen(t *testing.T) {
	keys, name, piece := derive(t, fixedRoot(), fixedRepo()), fixedName(), Piece{PieceRecord, 0}
	s, wrapped := newSealer(t, keys, name)
	sealed := s.Seal(nil, []byte("plaintext"), piece)
	for bit := range len(wrapped) * 8 {
		if _, err := keys.NewOpener(name, WrapXChaCha20Poly1305, flip(wrapped, bit)); !errors.Is(err, ErrDamaged) {
			t.Fatalf("bit %d of the wrapped key: %v", bit, err)
		}
	}
	o := newOpener(t, keys, name, wrapped)
	for bit := range len(sealed) * 8 {
		if _, err := o.Open(nil, flip(sealed, bit), piece); !errors.Is(err, ErrDamaged) {
			t.Fatalf("bit %d of the piece: %v", bit, err)
		}
	}
	for n := range sealed {
		if _, err := o.Open(nil, sealed[:n], piece); !errors.Is(err, ErrDamaged) {
			t.Fatalf("cut to %d bytes: %v", n, err)
		}
	}
	for n := range wrapped {
		if _, err := keys.NewOpener(name, WrapXChaCha20Poly1305, wrapped[:n]); !errors.Is(err, ErrDamaged) {
			t.Fatalf("wrapped key cut to %d bytes: %v", n, err)
		}
	}
	if _, err := keys.NewOpener(name, WrapXChaCha20Poly1305, append(wrapped, 0)); !errors.Is(err, ErrDamaged) {
		t.Fatalf("wrapped key with a byte more: %v", err)
	}
}

func flip(b []byte, bit int) []byte {
	b = bytes.Clone(b)
	b[bit/8] ^= 1 << (bit % 8)
	return b
}

func TestUnknownWrapping(t *testing.T) {
	keys := derive(t, fixedRoot(), fixedRepo())
	_, wrapped := newSealer(t, keys, fixedName())
	for _, kind := range []WrappingKind{0, 2, 1 << 15} {
		if _, err := keys.NewOpener(fixedName(), kind, wrapped); !errors.Is(err, ErrUnknownWrapping) {
			t.Errorf("wrapping %d: %v", kind, err)
		}
	}
}

// Numbers on disk never change.
func TestNumbersArePinned(t *testing.T) {
	got := []int{int(WrapXChaCha20Poly1305), int(PieceFrame), int(PieceSection), int(PieceTrailer), int(PieceRecord), Overhead, WrappedSize, slotVersion1, SlotVersion}
	want := []int{1, 1, 2, 3, 4, 16, 72, 1, 2}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%v, want %v", got, want)
	}
}

func TestObjectKeysAreFresh(t *testing.T) {
	keys := derive(t, fixedRoot(), fixedRepo())
	a, _ := newSealer(t, keys, fixedName())
	b, _ := newSealer(t, keys, fixedName())
	if bytes.Equal(a.Seal(nil, []byte("plaintext"), Piece{PieceFrame, 0}), b.Seal(nil, []byte("plaintext"), Piece{PieceFrame, 0})) {
		t.Error("two objects have the same key")
	}
}

// No two objects share their additional data, whatever their names.
func TestAdditionalDataIsUnambiguous(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(label string) ObjectName {
			short := rapid.StringMatching(`[ab\x00]{0,3}`)
			return ObjectName{Kind: short.Draw(t, label+" kind"), Name: short.Draw(t, label+" name")}
		}
		a, b := draw("a"), draw("b")
		same := bytes.Equal(appendObject(nil, domainPiece, a), appendObject(nil, domainPiece, b))
		if same != (a == b) {
			t.Fatalf("%q and %q: same additional data: %v", a, b, same)
		}
	})
}

func TestSealerIsConcurrent(t *testing.T) {
	keys := derive(t, fixedRoot(), fixedRepo())
	s, wrapped := newSealer(t, keys, fixedName())
	o := newOpener(t, keys, fixedName(), wrapped)
	var wg sync.WaitGroup
	for worker := range 4 {
		wg.Go(func() {
			for i := range 200 {
				piece := Piece{PieceFrame, uint64(worker*1000 + i)}
				plaintext := binary.BigEndian.AppendUint64(nil, piece.Number)
				opened, err := o.Open(nil, s.Seal(nil, plaintext, piece), piece)
				if err != nil || !bytes.Equal(opened, plaintext) {
					t.Errorf("%v: opened %x, %v", piece, opened, err)
					return
				}
			}
		})
	}
	wg.Wait()
}

func TestSealAllocatesNothing(t *testing.T) {
	keys := derive(t, fixedRoot(), fixedRepo())
	s, wrapped := newSealer(t, keys, fixedName())
	o := newOpener(t, keys, fixedName(), wrapped)
	plaintext, sealed, opened := make([]byte, 1<<10), make([]byte, 0, 2<<10), make([]byte, 0, 2<<10)
	n := testing.AllocsPerRun(1000, func() {
		sealed = s.Seal(sealed[:0], plaintext, Piece{PieceFrame, 1})
		if _, err := o.Open(opened, sealed, Piece{PieceFrame, 1}); err != nil {
			t.Fatal(err)
		}
	})
	// Under the race detector a sync.Pool forgets some of what it is given.
	if n > 1 {
		t.Errorf("%v allocations to seal and open", n)
	}
}

// The object is the golden one, since fuzzing runs in several processes.
func FuzzOpenSealer(f *testing.F) {
	object := readGoldenObject(f)
	wrapped, sealed := unhex(f, object.Wrapped), unhex(f, object.Frame)
	keys, name, piece := derive(f, fixedRoot(), fixedRepo()), fixedName(), Piece{PieceFrame, 7}
	o := newOpener(f, keys, name, wrapped)
	f.Add(uint16(1), wrapped, sealed, uint32(1), uint64(7))
	f.Add(uint16(2), []byte{}, []byte{}, uint32(0), uint64(0))
	f.Add(uint16(1), wrapped[:40], sealed[:Overhead], uint32(1), uint64(7))
	f.Fuzz(func(t *testing.T, kind uint16, key, content []byte, pieceKind uint32, number uint64) {
		_, err := keys.NewOpener(name, WrappingKind(kind), key)
		switch whole := kind == 1 && bytes.Equal(key, wrapped); {
		case whole && err != nil:
			t.Errorf("the wrapped key does not open: %v", err)
		case !whole && !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrUnknownWrapping):
			t.Errorf("another wrapped key: %v", err)
		}
		at := Piece{PieceKind(pieceKind), number}
		opened, err := o.Open(nil, content, at)
		switch whole := at == piece && bytes.Equal(content, sealed); {
		case whole && (err != nil || string(opened) != goldenContent):
			t.Errorf("the piece opens as %q, %v", opened, err)
		case !whole && !errors.Is(err, ErrDamaged):
			t.Errorf("another piece: %v", err)
		}
	})
}
