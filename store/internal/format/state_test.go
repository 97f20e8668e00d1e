package format

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"testing"
	"testing/iotest"

	"pgregory.net/rapid"
)

func genState() *rapid.Generator[State] {
	return rapid.Custom(func(t *rapid.T) State {
		text := rapid.SliceOfN(rapid.Byte(), 0, 9)
		number := rapid.OneOf(rapid.Uint64(), rapid.Uint64Range(0, 300))
		return State{
			Path: text.Draw(t, "path"), Type: rapid.Byte().Draw(t, "type"), Mode: rapid.Uint32().Draw(t, "mode"),
			UID: number.Draw(t, "uid"), GID: number.Draw(t, "gid"), User: text.Draw(t, "user"), Group: text.Draw(t, "group"),
			Link: text.Draw(t, "link"), Size: number.Draw(t, "size"), Modified: rapid.Int64().Draw(t, "modified"),
			Changed: rapid.Int64().Draw(t, "changed"), Device: number.Draw(t, "device"), Inode: number.Draw(t, "inode"),
		}
	})
}

func genExtent() *rapid.Generator[Extent] {
	return rapid.Custom(func(t *rapid.T) Extent {
		number := rapid.OneOf(rapid.Uint64(), rapid.Uint64Range(0, 2))
		return Extent{
			Entry: number.Draw(t, "entry"), Stamps: number.Draw(t, "stamps"), Header: number.Draw(t, "header"),
			Length: number.Draw(t, "length"), Chunks: number.Draw(t, "chunks"),
		}
	})
}

// noted is a state with its extent.
type noted struct {
	state  State
	extent Extent
}

func encodeStates(all ...noted) []byte {
	e := NewStateEncoder()
	b := append([]byte(nil), e.Begin()...)
	for i := range all {
		b = append(b, e.Encode(all[i].state)...)
		b = append(b, e.Extent(&all[i].extent)...)
	}
	return b
}

func readStates(r io.Reader) (all []noted, err error) {
	for in := NewStateReader(r); ; {
		s, err := in.Peek()
		if err == io.EOF {
			return all, nil
		}
		if err != nil {
			return all, err
		}
		n := noted{state: *s}
		var state, extent int
		if n.extent, state, extent, err = in.Next(); err != nil {
			return all, err
		}
		if want := len(encodeStates(n)) - 1; state+extent != want {
			return all, fmt.Errorf("a record of %d bytes has %d", state+extent, want)
		}
		all = append(all, n)
	}
}

// TestStatesRoundTrip reads states as a writer does: it asks for those that it
// knows, and reads the others.
func TestStatesRoundTrip(t *testing.T) {
	e := NewStateEncoder()
	rapid.Check(t, func(t *rapid.T) {
		var want []noted
		for range rapid.IntRange(0, 40).Draw(t, "states") {
			want = append(want, noted{genState().Draw(t, "state"), genExtent().Draw(t, "extent")})
		}
		in := NewStateReader(iotest.HalfReader(bytes.NewReader(encodeStates(want...))))
		other := genState().Draw(t, "other")
		for i := range want {
			w := &want[i]
			if fmt.Sprint(other) != fmt.Sprint(w.state) {
				if same, err := in.Is(e.Encode(other)); same || err != nil {
					t.Fatalf("state %d is another one: %v", i, err)
				}
			}
			if rapid.Bool().Draw(t, "known") {
				if same, err := in.Is(e.Encode(w.state)); !same || err != nil {
					t.Fatalf("state %d is not what it should be: %v", i, err)
				}
			} else if got, err := in.Peek(); err != nil || fmt.Sprint(*got) != fmt.Sprint(w.state) {
				t.Fatalf("state %d: got %v, want %v, %v", i, got, w.state, err)
			}
			if x, _, _, err := in.Next(); err != nil || x != w.extent {
				t.Fatalf("state %d: got %v, want %v, %v", i, x, w.extent, err)
			}
		}
		if _, err := in.Peek(); err != io.EOF {
			t.Fatalf("after the last: %v", err)
		}
		if _, err := in.Is(nil); err != io.EOF {
			t.Fatalf("after the last: %v", err)
		}
	})
}

// TestLongStates has states up to the limit, and beyond.
func TestLongStates(t *testing.T) {
	var want []noted
	for n := maxState - 200; n < maxState+10; n += 7 {
		want = append(want, noted{State{Path: bytes.Repeat([]byte{'x'}, n), Inode: 7}, Extent{Stamps: 1 << 63, Header: 1 << 63, Length: 1 << 63, Chunks: 1 << 63}})
		want[len(want)-1].extent.Entry = uint64(n)
	}
	got, err := readStates(bytes.NewReader(encodeStates(want...)))
	if err != nil || len(got) != len(want) {
		t.Fatalf("%d states of %d: %v", len(got), len(want), err)
	}
	whole := 0
	for i := range got {
		switch {
		case got[i].extent != want[i].extent:
			t.Errorf("state %d: extent %v", i, got[i].extent)
		case len(got[i].state.Path) == len(want[i].state.Path) && got[i].state.Inode == 7:
			whole++
		case len(got[i].state.Path) != 0 || got[i].state.Inode != 0:
			t.Errorf("state %d is of %d bytes", i, len(got[i].state.Path))
		}
	}
	if whole == 0 || whole == len(got) {
		t.Errorf("%d states of %d were written whole", whole, len(got))
	}
}

func TestStatesDamaged(t *testing.T) {
	good := encodeStates(
		noted{State{Path: []byte("./a"), Type: '0', Inode: 300}, Extent{Entry: 100, Length: 1, Chunks: 1}},
		noted{State{Path: []byte("./b")}, Extent{Entry: 100}},
	)
	if _, err := readStates(bytes.NewReader(good)); err != nil {
		t.Fatal(err)
	}
	fault := errors.New("the share went away")
	for n := 1; n < len(good); n++ {
		all, err := readStates(bytes.NewReader(good[:n]))
		if cut := n != len(encodeStates(all...)); cut != (err != nil) || cut && !errors.Is(err, ErrDamaged) {
			t.Errorf("cut at %d: %v", n, err)
		}
		all, err = readStates(io.MultiReader(bytes.NewReader(good[:n]), iotest.ErrReader(fault)))
		if !errors.Is(err, fault) || errors.Is(err, ErrDamaged) {
			t.Errorf("a storage's error after %d bytes is given as %v, after %d states", n, err, len(all))
		}
	}
	for name, b := range map[string][]byte{
		"version 1":      {1, 0x83, 0, 0, 0},
		"version 3":      {3},
		"a long version": {0x18, 2},
	} {
		_, err := readStates(bytes.NewReader(b))
		wantOnly(t, name, err, ErrUnknownPart)
	}
	// A number in more bytes than it takes, arrays that are shorter, a map, null for what is empty.
	for _, b := range [][]byte{
		bytes.Replace(good, []byte{0x19, 0x01, 0x2c}, []byte{0x1a, 0, 0, 0x01, 0x2c}, 1), {2, 0x81, 0}, {2, 0xa0}, {2, 0xf6},
		bytes.Replace(good, []byte{0x85}, []byte{0x84}, 1), bytes.Replace(good, []byte{0x40}, []byte{0xf6}, 1),
	} {
		if _, err := readStates(bytes.NewReader(b)); !errors.Is(err, ErrDamaged) {
			t.Errorf("%x: %v", b, err)
		}
	}
}

func FuzzStates(f *testing.F) {
	good := encodeStates(noted{State{Path: []byte("./a"), Inode: 300}, Extent{Entry: 100}}, noted{State{}, Extent{Chunks: 1 << 40}})
	f.Add(good)
	f.Add(good[:len(good)-1])
	f.Add([]byte{2, 0x8d, 0x5b, 0x10, 0, 0, 0, 0, 0, 0, 0})
	f.Add(append([]byte{2}, bytes.Repeat([]byte{0x81}, 40)...))
	f.Add(append([]byte{2}, make([]byte, 100)...))
	f.Add([]byte{1, 0x83, 0, 0, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		all, err := readStates(bytes.NewReader(b))
		again := encodeStates(all...)
		switch {
		case err != nil && !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrUnknownPart):
			t.Fatal(err)
		case err == nil && len(b) > 0 && !bytes.Equal(again, b), len(all) > 0 && !bytes.HasPrefix(b, again):
			t.Fatalf("%x reads as %x", b, again)
		}
	})
}
