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

func readEntries(r io.Reader) (all []Entry, err error) {
	for entries := NewEntryReader(r); ; {
		e, err := entries.Next()
		if err == io.EOF {
			return all, nil
		}
		if err != nil {
			return all, err
		}
		all = append(all, e)
	}
}

func readRuns(r io.Reader) (all []Run, err error) {
	for runs := NewRunReader(r); ; {
		run, err := runs.Next()
		if err == io.EOF {
			return all, nil
		}
		if err != nil {
			return all, err
		}
		all = append(all, run)
	}
}

func TestEntriesRoundTrip(t *testing.T) {
	enc := NewEntryEncoder()
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.SliceOf(genEntry()).Draw(t, "entries")
		var b []byte
		for _, e := range want {
			b = append(b, enc.Encode(e)...)
		}
		got, err := readEntries(iotest.HalfReader(bytes.NewReader(b)))
		if err != nil || len(got) != len(want) {
			t.Fatalf("got %d entries of %d, %v", len(got), len(want), err)
		}
		for i := range got {
			if w := want[i]; got[i].Kind != w.Kind || got[i].Length != w.Length || got[i].Chunks != w.Chunks || !bytes.Equal(got[i].Header, w.Header) {
				t.Fatalf("entry %d: got %+v, want %+v", i, got[i], w)
			}
		}
	})
}

func TestRunsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.SliceOf(genRun()).Draw(t, "runs")
		got, err := readRuns(iotest.OneByteReader(bytes.NewReader(appendRuns(nil, want...))))
		if err != nil || fmt.Sprint(got) != fmt.Sprint(want) {
			t.Fatalf("got %v, want %v, %v", got, want, err)
		}
	})
}

func TestEntryLimits(t *testing.T) {
	enc := NewEntryEncoder()
	tests := []struct {
		name  string
		entry Entry
		want  error
	}{
		{"longest header", Entry{Kind: 1, Header: PackZeros(nil, make([]byte, MaxMemberHead)), Length: 1, Chunks: 1}, nil},
		{"longest header without zeros", Entry{Kind: 1, Header: bytes.Repeat([]byte{1}, MaxMemberHead), Length: 1, Chunks: 1}, nil},
		{"header and stamps too long", Entry{Kind: 1, Header: PackZeros(nil, make([]byte, MaxMemberHead)), Cuts: []Cut{{Length: 1}}}, ErrDamaged},
		{"chunks of a byte", Entry{Kind: 0, Header: []byte{}, Length: 1<<64 - 1, Chunks: 1<<64 - 1}, nil},
		{"header too long", Entry{Kind: 1, Header: PackZeros(nil, make([]byte, MaxMemberHead+1))}, ErrDamaged},
		{"length without chunks", Entry{Kind: 1, Header: []byte{1}, Length: 1}, ErrDamaged},
		{"chunks without length", Entry{Kind: 1, Header: []byte{1}, Chunks: 1}, ErrDamaged},
		{"more chunks than bytes", Entry{Kind: 1, Header: []byte{1}, Length: 1, Chunks: 2}, ErrDamaged},
		{"kind 2", Entry{Kind: 2, Header: []byte{1}}, ErrUnknownPart},
		{"kind 255", Entry{Kind: 255, Header: []byte{1}}, ErrUnknownPart},
	}
	for _, test := range tests {
		_, err := readEntries(bytes.NewReader(enc.Encode(test.entry)))
		wantOnly(t, test.name, err, test.want)
	}
}

func TestSequencesCutShort(t *testing.T) {
	entries := NewEntryEncoder().Encode(Entry{Kind: 1, Header: make([]byte, 300), Length: 700, Chunks: 2})
	runs := appendRuns(nil, Run{First: 70000, Count: 300, Times: 1})
	fault := errors.New("the share went away")
	for name, read := range sequences() {
		whole := entries
		if name == "runs" {
			whole = runs
		}
		for n := 1; n < len(whole); n++ {
			wantOnly(t, fmt.Sprint(name, " cut at ", n), read(bytes.NewReader(whole[:n])), ErrDamaged)
		}
		for n := range len(whole) + 1 {
			err := read(io.MultiReader(bytes.NewReader(whole[:n]), iotest.ErrReader(fault)))
			if !errors.Is(err, fault) || errors.Is(err, ErrDamaged) {
				t.Errorf("%s: a storage's error after %d bytes is given as %v", name, n, err)
			}
		}
	}
}

// sequences gives what reads each kind of sequence to its end.
func sequences() map[string]func(io.Reader) error {
	return map[string]func(io.Reader) error{
		"entries": func(r io.Reader) error { _, err := readEntries(r); return err },
		"runs":    func(r io.Reader) error { _, err := readRuns(r); return err },
	}
}

// hostile are items, by RFC 8949, section 3, that no sequence may hold.
func hostile() map[string][]byte {
	return map[string][]byte{
		"number":               {0x00},
		"map":                  {0xa0},
		"empty array":          {0x80},
		"array too short":      {0x83, 0, 0, 0},
		"array too long":       {0x85, 0, 0, 0, 0, 0},
		"text":                 {0x61, 'a'},
		"reserved head":        {0x1c},
		"bytes of 2^60":        {0x84, 0x00, 0x5b, 0x10, 0, 0, 0, 0, 0, 0, 0},
		"text of 2^60":         {0x84, 0x00, 0x7b, 0x10, 0, 0, 0, 0, 0, 0, 0},
		"wrong types":          {0x84, 0x60, 0x60, 0x60, 0x60},
		"negative numbers":     {0x84, 0x20, 0x40, 0x20, 0x20},
		"numbers of 2^64-1":    {0x84, 0x1b, 255, 255, 255, 255, 255, 255, 255, 255, 0x40, 0, 0},
		"arrays of numbers":    {0x84, 0x80, 0x80, 0x80, 0x80},
		"two nested too deep":  {0x84, 0x81, 0x81, 0x00, 0, 0, 0},
		"map of unknown field": {0xa1, 0x20, 0x00},
	}
}

func TestSequenceRefusals(t *testing.T) {
	for name, read := range sequences() {
		for what, item := range hostile() {
			wantOnly(t, name+": "+what, read(io.MultiReader(bytes.NewReader(item), zeros{})), ErrDamaged)
		}
		wantOnly(t, name+": zeros", read(zeros{}), ErrDamaged)
	}
}

func TestSequenceRefusalsOfForm(t *testing.T) {
	for name, read := range sequences() {
		for what, item := range map[string][]byte{
			"bytes of 2^64-1":      {0x84, 0x00, 0x5b, 255, 255, 255, 255, 255, 255, 255, 255},
			"nested too deep":      bytes.Repeat([]byte{0x81}, 40),
			"tag":                  {0xc1, 0x00},
			"tagged array":         {0xc1, 0x84, 0, 0x40, 0, 0},
			"array without end":    {0x9f, 0, 0x40, 0, 0, 0xff},
			"bytes without end":    {0x84, 0, 0x5f, 0x40, 0xff, 0, 0},
			"array of 2^60":        {0x9b, 0x10, 0, 0, 0, 0, 0, 0, 0},
			"array of 2^64-1":      {0x9b, 255, 255, 255, 255, 255, 255, 255, 255},
			"map of 2^60":          {0xbb, 0x10, 0, 0, 0, 0, 0, 0, 0},
			"the same field twice": {0xa2, 0x01, 0x00, 0x01, 0x00},
		} {
			wantOnly(t, name+": "+what, read(io.MultiReader(bytes.NewReader(item), zeros{})), ErrDamaged)
		}
	}
}

// Items have one encoding: the deterministic one, without null.
func TestSequenceRefusalsOfEncodings(t *testing.T) {
	slab := "\x4c............"
	for what, item := range map[string]string{
		"null":         "\xf6",
		"undefined":    "\xf7",
		"empty header": "\x84\x00\x40\x00\x00",
		"null numbers": "\x84\xf6\x41x\xf6\xf6",
		"long number":  "\x84\x18\x00\x41x\x00\x00",
		"long bytes":   "\x84\x00\x58\x01x\x00\x00",
		"long array":   "\x98\x04\x00\x41x\x00\x00",
	} {
		_, err := readEntries(bytes.NewReader([]byte(item)))
		wantOnly(t, "entries: "+what, err, ErrDamaged)
	}
	for what, item := range map[string]string{
		"null slab":    "\x84\xf6\x00\x01\x01",
		"null numbers": "\x84" + slab + "\xf6\x01\x01",
		"long number":  "\x84" + slab + "\x18\x00\x01\x01",
		"long array":   "\x98\x04" + slab + "\x00\x01\x01",
		"short slab":   "\x84\x4b...........\x00\x01\x01",
		"long slab":    "\x84\x4d.............\x00\x01\x01",
	} {
		_, err := readRuns(bytes.NewReader([]byte(item)))
		wantOnly(t, "runs: "+what, err, ErrDamaged)
	}
}

// What the reader below says must still be found in the error: it names the
// slab that is damaged.
func TestSequencesKeepTheCause(t *testing.T) {
	cause := &causeError{}
	for name, read := range sequences() {
		err := read(iotest.ErrReader(cause))
		if found, ok := errors.AsType[*causeError](err); !ok || found != cause {
			t.Errorf("%s: got %v, want the cause in it", name, err)
		}
	}
}

type causeError struct{}

func (*causeError) Error() string { return "slab 12: the object is too short" }
func (*causeError) Unwrap() error { return io.ErrUnexpectedEOF }

// counting counts what is read.
type counting struct {
	r io.Reader
	n int64
}

func (c *counting) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n += int64(n)
	return n, err
}

// An item takes memory for a bounded part of what it claims.
func TestSequenceMemory(t *testing.T) {
	for name, read := range sequences() {
		for what, item := range map[string][]byte{
			"bytes of 2^60":     {0x84, 0x00, 0x5b, 0x10, 0, 0, 0, 0, 0, 0, 0},
			"bytes of 1 GiB":    {0x84, 0x00, 0x5a, 0x40, 0, 0, 0},
			"text of 1 GiB":     {0x7a, 0x40, 0, 0, 0},
			"array of 1048576":  {0x9a, 0, 0x10, 0, 0},
			"an endless header": {0x84, 0x00},
		} {
			in := &counting{r: io.MultiReader(bytes.NewReader(item), zeros{})}
			var err error
			got := allocated(func() { err = read(in) })
			wantOnly(t, name+": "+what, err, ErrDamaged)
			if in.n > 4*MaxMemberHead || got > 16*MaxMemberHead {
				t.Errorf("%s: %s: %d bytes read, %d allocated", name, what, in.n, got)
			}
		}
	}
}

// A long sequence of small items takes no more memory than a short one.
func TestLongSequence(t *testing.T) {
	run := appendRuns(nil, Run{First: 1, Count: 2, Times: 1})
	const count = 20000
	runs := NewRunReader(io.LimitReader(&repeating{run, 0}, int64(count*len(run))))
	n := 0
	for ; ; n++ {
		if _, err := runs.Next(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	if n != count {
		t.Errorf("%d runs, want %d", n, count)
	}
}

type repeating struct {
	what []byte
	at   int
}

func (r *repeating) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = r.what[r.at]
		r.at = (r.at + 1) % len(r.what)
	}
	return len(p), nil
}

func BenchmarkRunEncoder(b *testing.B) {
	enc := NewRunEncoder()
	b.ReportAllocs()
	for b.Loop() {
		enc.Encode(Run{First: 70000, Count: 300, Times: 1})
	}
}

func BenchmarkEntryReader(b *testing.B) {
	entry := NewEntryEncoder().Encode(Entry{Kind: 1, Header: make([]byte, 512), Length: 70000, Chunks: 5})
	entries := NewEntryReader(&repeating{entry, 0})
	b.ReportAllocs()
	for b.Loop() {
		if _, err := entries.Next(); err != nil {
			b.Fatal(err)
		}
	}
}
