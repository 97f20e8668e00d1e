package format

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"testing"
	"testing/iotest"
)

func unpackAll(packed []byte) ([]byte, error) {
	n := UnpackedLength(packed)
	if n > MaxMemberHead {
		return nil, damaged("too long")
	}
	r := bytes.NewReader(packed)
	out, err := UnpackZeros(r, n)
	if err == nil && r.Len() > 0 {
		err = damaged("bytes left")
	}
	return out, err
}

func TestZeros(t *testing.T) {
	for _, c := range []struct{ plain, packed []byte }{
		{nil, nil},
		{[]byte("bean"), []byte("bean")},
		{[]byte{0}, []byte{0, 0}},
		{[]byte{'a', 0, 0, 'b'}, []byte{'a', 0, 1, 'b'}},
		{make([]byte, 256), []byte{0, 255}},
		{make([]byte, 257), []byte{0, 255, 0, 0}},
		{append(make([]byte, 512), 1), []byte{0, 255, 0, 255, 1}},
	} {
		if got := PackZeros(nil, c.plain); !bytes.Equal(got, c.packed) {
			t.Errorf("%d bytes are packed as %v, want %v", len(c.plain), got, c.packed)
		}
		if got, err := unpackAll(c.packed); err != nil || !bytes.Equal(got, c.plain) {
			t.Errorf("%v: %v, %v", c.packed, got, err)
		}
	}
	for _, packed := range [][]byte{{0}, {'a', 0}, {0, 1, 0, 1}, {0, 1, 0, 255}} {
		if got, err := unpackAll(packed); err == nil {
			t.Errorf("%v: no error, %v", packed, got)
		}
	}
	if _, err := UnpackZeros(bytes.NewReader([]byte{0, 9}), 5); !errors.Is(err, ErrDamaged) {
		t.Errorf("more zeros than belong there: %v", err)
	}
	if _, err := UnpackZeros(bytes.NewReader([]byte("ab")), 3); err != io.EOF {
		t.Errorf("too few bytes: %v", err)
	}
	if n := UnpackedLength(bytes.Repeat([]byte{0, 255}, 1<<20)); n != MaxMemberHead+1 {
		t.Errorf("a bomb of zeros counts as %d", n)
	}
}

func FuzzZeros(f *testing.F) {
	f.Add([]byte("bean"))
	f.Add(make([]byte, 700))
	f.Add([]byte{'a', 0, 3, 'b', 0, 255, 0, 9})
	f.Fuzz(func(t *testing.T, b []byte) {
		if got, err := unpackAll(PackZeros(nil, b)); len(b) <= MaxMemberHead && (err != nil || !bytes.Equal(got, b)) {
			t.Fatalf("%d bytes come back as %d: %v", len(b), len(got), err)
		}
		// All ways of unpacking agree, wherever what is at hand ends.
		if n := UnpackedLength(b); n <= MaxMemberHead {
			want, failed := unpackAll(b)
			got, err := UnpackAll(b)
			in := bufio.NewReaderSize(iotest.OneByteReader(bytes.NewReader(b)), 16)
			whole := bufio.NewReaderSize(bytes.NewReader(b), 16)
			for name, r := range map[string]*bufio.Reader{"one by one": in, "buffered": whole} {
				again, err2 := UnpackZeros(r, n)
				if _, end := r.ReadByte(); err2 == nil && end != io.EOF {
					err2 = damaged("bytes left")
				}
				if (err2 == nil) != (failed == nil) || failed == nil && !bytes.Equal(again, want) {
					t.Fatalf("%s: %v, %v; not %v, %v", name, again, err2, want, failed)
				}
			}
			if (err == nil) != (failed == nil) || failed == nil && !bytes.Equal(got, want) {
				t.Fatalf("all at once: %v, %v; not %v, %v", got, err, want, failed)
			}
		}
		// As packed bytes: refused, or packed again the same.
		if out, err := unpackAll(b); err == nil && !bytes.Equal(PackZeros(nil, out), b) {
			t.Fatalf("%v is accepted, and packed otherwise", b)
		}
	})
}
