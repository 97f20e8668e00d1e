package store_test

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"path"
	"strings"

	"github.com/fxamacker/cbor/v2"
	"lukechampine.com/blake3"
)

// secondIndex is an index file, section 9.
type secondIndex struct {
	ID      string            `cbor:"1,keyasint"`
	Written string            `cbor:"2,keyasint"`
	Taken   string            `cbor:"3,keyasint"`
	Name    string            `cbor:"4,keyasint,omitempty"`
	Version string            `cbor:"5,keyasint,omitempty"`
	Note    string            `cbor:"6,keyasint,omitempty"`
	Host    string            `cbor:"7,keyasint,omitempty"`
	Labels  map[string]string `cbor:"8,keyasint,omitempty"`
	Volumes []secondVolume    `cbor:"9,keyasint"`
	Added   uint64            `cbor:"10,keyasint"`
	Seen    *secondRecipe     `cbor:"11,keyasint,omitempty"`
	Before  *secondBefore     `cbor:"12,keyasint,omitempty"`
	Amended *secondAmended    `cbor:"13,keyasint,omitempty"`
	Padding []byte            `cbor:"15,keyasint,omitempty"`
	Deltas  bool              `cbor:"-2,keyasint,omitempty"`
}

// secondAmended is what was amended, section 9.
type secondAmended struct {
	At      string             `cbor:"1,keyasint"`
	Host    string             `cbor:"2,keyasint,omitempty"`
	Taken   *string            `cbor:"3,keyasint,omitempty"`
	Version *string            `cbor:"5,keyasint,omitempty"`
	Note    *string            `cbor:"6,keyasint,omitempty"`
	Labels  *map[string]string `cbor:"8,keyasint,omitempty"`
}

// secondBefore is the capture before, section 9.
type secondBefore struct {
	_    struct{} `cbor:",toarray"`
	ID   string
	Hash []byte
}

type secondVolume struct {
	Name       string        `cbor:"1,keyasint,omitempty"`
	Path       string        `cbor:"2,keyasint,omitempty"`
	Source     string        `cbor:"3,keyasint,omitempty"`
	Compressed string        `cbor:"4,keyasint,omitempty"`
	Tar        bool          `cbor:"5,keyasint,omitempty"`
	Members    uint64        `cbor:"6,keyasint"`
	Length     uint64        `cbor:"7,keyasint"`
	SHA256     []byte        `cbor:"8,keyasint,omitempty"`
	Unfinished string        `cbor:"9,keyasint,omitempty"`
	List       secondRecipe  `cbor:"10,keyasint"`
	Stamps     *secondRecipe `cbor:"11,keyasint,omitempty"`
	Contents   *secondRecipe `cbor:"12,keyasint,omitempty"`
	States     *secondRecipe `cbor:"13,keyasint,omitempty"`
	Warnings   []string      `cbor:"14,keyasint,omitempty"`
	Order      *secondRecipe `cbor:"15,keyasint,omitempty"`
}

type secondRecipe struct {
	Level  uint64      `cbor:"1,keyasint"`
	Runs   []secondRun `cbor:"2,keyasint"`
	Chunks uint64      `cbor:"3,keyasint"`
	Length uint64      `cbor:"4,keyasint"`
	Digest []byte      `cbor:"5,keyasint"`
}

type secondRun struct {
	_     struct{} `cbor:",toarray"`
	Slab  []byte
	First uint64
	Count uint64
	Times uint64
}

// index reads an index file and gives its record too.
func (r *secondReader) index(name string) (*secondIndex, []byte, error) {
	o, err := r.object("capture", name)
	if err != nil {
		return nil, nil, err
	}
	plain, err := o.open(secondRecord, 0, o.body)
	if err != nil {
		return nil, nil, err
	}
	var x secondIndex
	if err := secondRecordInto(plain, &x); err != nil {
		return nil, nil, fmt.Errorf("%s: %w", name, err)
	}
	if id, _, _ := strings.Cut(path.Base(name), "."); x.ID != id { // a generation
		return nil, nil, fmt.Errorf("%s is the index file of %s", name, x.ID)
	}
	return &x, plain, nil
}

// chunksOf gives the chunks that runs name.
func (r *secondReader) chunksOf(runs []secondRun) (chunks [][]byte, err error) {
	for _, run := range runs {
		s, err := r.slab(hex.EncodeToString(run.Slab))
		if err != nil {
			return nil, err
		}
		n := uint64(len(s.chunks))
		if run.First >= n || run.Count == 0 || run.Count > n-run.First || run.Times == 0 || run.Times > 1 && run.Count > 1 || run.Times > 1<<20 {
			return nil, fmt.Errorf("bad run %v", run)
		}
		for range run.Times {
			chunks = append(chunks, s.chunks[run.First:][:run.Count]...)
		}
	}
	return chunks, nil
}

// expand gives the runs of level 0.
func (r *secondReader) expand(recipe *secondRecipe) ([]secondRun, error) {
	runs := recipe.Runs
	for level := recipe.Level; level > 0; level-- {
		chunks, err := r.chunksOf(runs)
		if err != nil {
			return nil, err
		}
		if runs, err = secondSequence[secondRun](bytes.Join(chunks, nil)); err != nil {
			return nil, err
		}
	}
	return runs, nil
}

// secondSequence decodes a CBOR sequence.
func secondSequence[T any](b []byte) (items []T, err error) {
	d := cbor.NewDecoder(bytes.NewReader(b))
	for {
		var raw cbor.RawMessage
		if err := d.Decode(&raw); errors.Is(err, io.EOF) {
			return items, nil
		} else if err != nil {
			return nil, err
		}
		var item T
		if err := secondRecordInto(raw, &item); err != nil {
			return nil, err
		}
		items = append(items, item)
	}
}

// stream gives the chunks of a recipe's stream, whose count, length and
// digest are as the recipe says.
func (r *secondReader) stream(recipe *secondRecipe) ([][]byte, error) {
	runs, err := r.expand(recipe)
	if err != nil {
		return nil, err
	}
	chunks, err := r.chunksOf(runs)
	if err != nil {
		return nil, err
	}
	digest, length := blake3.New(32, nil), uint64(0)
	for _, c := range chunks {
		digest.Write(r.identity(c))
		digest.Write(binary.LittleEndian.AppendUint64(nil, uint64(len(c))))
		length += uint64(len(c))
	}
	if sum := digest.Sum(nil); !bytes.Equal(sum, recipe.Digest) || uint64(len(chunks)) != recipe.Chunks || length != recipe.Length {
		return nil, fmt.Errorf("%d chunks, %d bytes, digest %x where the recipe says %d, %d, %x",
			len(chunks), length, sum, recipe.Chunks, recipe.Length, recipe.Digest)
	}
	return chunks, nil
}

// secondEntry is an entry of a member list.
type secondEntry struct {
	_      struct{} `cbor:",toarray"`
	Kind   uint64
	Header []byte // packed
	Length uint64
	Chunks uint64
	Cuts   []secondCut
}

// secondCut is a place where stamps were cut out of a header.
type secondCut struct {
	_      struct{} `cbor:",toarray"`
	Offset uint64
	Length uint64
	Sum    bool
}

// members gives a volume's member list.
func (r *secondReader) members(v *secondVolume) ([]secondEntry, error) {
	list, err := r.stream(&v.List)
	if err != nil {
		return nil, err
	}
	return secondSequence[secondEntry](bytes.Join(list, nil))
}

// optional gives the chunks of a stream that may be left out, and then is not
// empty.
func (r *secondReader) optional(recipe *secondRecipe) ([][]byte, error) {
	if recipe == nil {
		return nil, nil
	}
	if recipe.Length == 0 {
		return nil, errors.New("the recipe of an empty stream is not left out")
	}
	return r.stream(recipe)
}

// rebuild gives a volume's stream.
func (r *secondReader) rebuild(v *secondVolume) ([]byte, error) {
	entries, err1 := r.members(v)
	contents, err2 := r.optional(v.Contents)
	stampChunks, err3 := r.optional(v.Stamps)
	if err := cmp.Or(err1, err2, err3); err != nil {
		return nil, err
	}
	stamps := bytes.Join(stampChunks, nil)
	var stream []byte
	members := uint64(0)
	for i, e := range entries {
		if e.Kind > 1 || e.Chunks > uint64(len(contents)) || (e.Length == 0) != (e.Chunks == 0) {
			return nil, fmt.Errorf("entry %d: bad fields", i)
		}
		content := bytes.Join(contents[:e.Chunks], nil)
		if uint64(len(content)) != e.Length {
			return nil, fmt.Errorf("entry %d: its chunks are not as long as it says", i)
		}
		header, rest, err := e.wholeHeader(stamps)
		if err != nil {
			return nil, fmt.Errorf("entry %d: %w", i, err)
		}
		stream = append(append(stream, header...), content...)
		contents, stamps, members = contents[e.Chunks:], rest, members+e.Kind
	}
	if !v.Tar {
		members = uint64(len(entries)) // plain contents are one member
	}
	if len(contents) > 0 || len(stamps) > 0 || members != v.Members || uint64(len(stream)) != v.Length {
		return nil, fmt.Errorf("%d chunks and %d bytes of stamps left, %d members, %d bytes", len(contents), len(stamps), members, len(stream))
	}
	return stream, nil
}

// The limits of headers.
const (
	secondMaxHeader = 1114112
	secondMaxCuts   = 64
)

// unpack gives an entry's header and its own stamps, unpacked, and the packed
// stamps that are left.
func (e *secondEntry) unpack(stamps []byte) (header, own, rest []byte, err error) {
	if e.Header != nil && len(e.Header) == 0 || e.Cuts != nil && len(e.Cuts) == 0 || len(e.Cuts) > secondMaxCuts {
		return nil, nil, nil, errors.New("what is empty must be null, and there are at most 64 cuts")
	}
	n, m, end := unpackedLength(e.Header), uint64(0), uint64(0)
	for _, c := range e.Cuts {
		if c.Length == 0 || c.Length > secondMaxHeader || c.Offset > secondMaxHeader || c.Offset < end || c.Sum && (c.Offset+c.Length)%512 != 156 {
			return nil, nil, nil, fmt.Errorf("bad cut %v", c)
		}
		m, end = m+c.Length, c.Offset+c.Length
	}
	if n+m > secondMaxHeader {
		return nil, nil, nil, errors.New("the header is too long")
	}
	header, _, err1 := unpack(e.Header, n)
	own, rest, err2 := unpack(stamps, m)
	return header, own, rest, cmp.Or(err1, err2)
}

// wholeHeader puts the next stamps into an entry's header and gives the stamps
// that are left.
func (e *secondEntry) wholeHeader(stamps []byte) (whole, rest []byte, err error) {
	header, own, rest, err := e.unpack(stamps)
	if err != nil {
		return nil, nil, err
	}
	if len(e.Cuts) == 0 {
		return header, rest, nil
	}
	before := uint64(len(header)+len(own)) % 512
	for _, c := range e.Cuts {
		n := before + c.Offset - uint64(len(whole)) // bytes up to the cut
		if n > uint64(len(header)) {
			return nil, nil, errors.New("a cut is behind the end of the header")
		}
		whole = append(append(whole, header[:n]...), own[:c.Length]...)
		header, own = header[n:], own[c.Length:]
	}
	whole = append(whole, header...)
	for _, c := range e.Cuts {
		if c.Sum {
			fillChecksum(whole[before:][(c.Offset+c.Length)/512*512:][:512])
		}
	}
	return whole, rest, nil
}

// unpackedLength counts what packed bytes stand for.
func unpackedLength(packed []byte) (n uint64) {
	for i := 0; i < len(packed); i++ {
		if packed[i] == 0 && i+1 < len(packed) {
			i++
			n += uint64(packed[i])
		}
		n++
	}
	return n
}

// unpack gives the n bytes that the first of some packed bytes stand for, and
// the packed bytes behind them.
func unpack(packed []byte, n uint64) (plain, rest []byte, err error) {
	for short := false; uint64(len(plain)) < n; {
		switch {
		case len(packed) == 0:
			return nil, nil, errors.New("packed bytes are missing")
		case packed[0] != 0:
			plain, packed, short = append(plain, packed[0]), packed[1:], false
		case len(packed) == 1:
			return nil, nil, errors.New("packed bytes end within a pair")
		case short:
			return nil, nil, errors.New("a pair of fewer than 256 zeros is not the last of its run")
		default:
			plain = append(plain, make([]byte, int(packed[1])+1)...)
			packed, short = packed[2:], packed[1] < 255
		}
	}
	if uint64(len(plain)) > n {
		return nil, nil, errors.New("a pair has more zeros than belong there")
	}
	return plain, packed, nil
}

// fillChecksum puts a header block's checksum where it was left out (POSIX.1-2017,
// pax, "ustar Interchange Format").
func fillChecksum(block []byte) {
	field := block[148:156]
	if !bytes.Equal(field, make([]byte, 8)) {
		return
	}
	sum := 8 * int(' ')
	for _, b := range block {
		sum += int(b)
	}
	copy(field, fmt.Sprintf("%06o\x00 ", sum))
}
