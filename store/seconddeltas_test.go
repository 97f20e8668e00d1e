package store_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"testing"
)

// TestSecondReaderOfDeltas has the second reader read what stands on others, and the example of the page.
func TestSecondReaderOfDeltas(t *testing.T) {
	f, captures, streams := chain(t, 3)
	r := secondOf(t, f)
	var want []secondWanted
	for i := range streams {
		sum := sha256.Sum256(streams[i])
		want = append(want, secondWanted{ID: captures[i].ID, Paths: []string{"a"}, SHA256: []string{hex.EncodeToString(sum[:])}})
	}
	if _, err := checkSecond(r, want); err != nil {
		t.Error(err)
	}
	if r.deltas == 0 {
		t.Error("no frame stands on another one")
	}
	got, err := secondCopies([]byte{3, 8, 4, 0, 15, 4}, []byte("a: , dry"), []byte("bean seed"))
	if err != nil || string(got) != "a:  seebean, dry" {
		t.Errorf("the example of section 7 gives %q, %v", got, err)
	}
}

// secondBase is a base of a frame of kind 2, section 7.
type secondBase struct {
	_     struct{} `cbor:",toarray"`
	Slab  []byte
	First uint64
	Count uint64
}

func (b secondBase) is(o secondBase) bool {
	return bytes.Equal(b.Slab, o.Slab) && b.First == o.First && b.Count == o.Count
}

// unpack gives what frame i holds.
func (s *secondSlab) unpack(i int, f *secondFrameRecord, frame []byte) ([]byte, error) {
	switch {
	case f.Kind == 1 && f.Depth == 0 && f.First == 0 && f.Bases == nil:
		return s.r.unzip(frame)
	case f.Kind != 2 || f.Depth < 1 || f.Depth > 2 || f.First == 0 || f.First > uint64(len(frame)) || len(f.Bases) == 0 || len(f.Bases) > 64:
		return nil, fmt.Errorf("bad record")
	}
	joined, err := s.joined(i, f)
	if err != nil {
		return nil, err
	}
	copies, err := s.r.unzip(frame[:f.First])
	if err != nil {
		return nil, err
	}
	var literals []byte
	if rest := frame[f.First:]; len(rest) > 0 {
		if literals, err = s.r.unzip(rest); err != nil {
			return nil, err
		}
	}
	s.r.deltas++
	return secondCopies(copies, literals, joined)
}

// joined gives the bases of frame i, one after the other.
func (s *secondSlab) joined(i int, f *secondFrameRecord) (joined []byte, err error) {
	frames := make(map[string]bool)
	for _, b := range f.Bases {
		on, id := s, hex.EncodeToString(b.Slab)
		if id != s.name { // else the frames before this one are there
			if on, err = s.r.slab(id); err != nil {
				return nil, err
			}
		}
		if b.Count == 0 || b.First+b.Count > uint64(len(on.chunks)) {
			return nil, fmt.Errorf("a base that is not there")
		}
		first, below := uint64(0), 0
		for first+uint64(len(on.table.Frames[below].Lengths)) <= b.First {
			first += uint64(len(on.table.Frames[below].Lengths))
			below++
		}
		base := on.table.Frames[below]
		if base.Depth >= f.Depth || b.First+b.Count > first+uint64(len(base.Lengths)) {
			return nil, fmt.Errorf("a base of depth %d, in several frames or one", base.Depth)
		}
		for _, chunk := range on.chunks[b.First:][:b.Count] {
			joined = append(joined, chunk...)
		}
		frames[fmt.Sprint(id, below)] = true
	}
	if len(frames) > 8 {
		return nil, fmt.Errorf("bases of %d frames", len(frames))
	}
	return joined, nil
}

// secondCopies puts copies and literals together.
func secondCopies(copies, literals, joined []byte) (out []byte, err error) {
	next := func() (n uint64) {
		for shift := 0; ; shift += 7 {
			if len(copies) == 0 || shift > 63 {
				err = fmt.Errorf("copies are cut short")
				return 0
			}
			b := copies[0]
			copies = copies[1:]
			n |= uint64(b&127) << shift
			if b < 128 {
				return n
			}
		}
	}
	at := int64(0)
	for len(copies) > 0 {
		n, by, length := next(), next(), int64(next())
		if by%2 == 0 {
			at += int64(by / 2)
		} else {
			at -= int64(by/2) + 1
		}
		if err != nil {
			return nil, err
		}
		if n > uint64(len(literals)) || length <= 0 || at < 0 || at+length > int64(len(joined)) {
			return nil, fmt.Errorf("a copy of %d bytes at %d behind %d literals", length, at, n)
		}
		out = append(append(out, literals[:n]...), joined[at:at+length]...)
		literals, at = literals[n:], at+length
	}
	return append(out, literals...), nil
}
