package store_test

import (
	"bytes"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"github.com/fxamacker/cbor/v2"
	"golang.org/x/crypto/chacha20poly1305"
)

// A second reader of repositories, written from FORMAT.md and sharing no code
// with the library. It is stricter than the page asks: it refuses every field
// that the page does not name. It reads whole files, for it is meant for the
// small golden repository.

// secondCaptureHash stands before what the hash of a capture is made of, section 9.
const secondCaptureHash = "kist 1 capture hash"

// secondReader is an open repository.
type secondReader struct {
	fsys    fs.FS
	id      []byte // of the repository, 16 bytes
	average int    // length of a chunk, as kist.json says
	apart   string // as kist.json says
	root    []byte
	keys    secondKeys
	deltas  int                                // frames of kind 2 that were read
	unzip   func(frame []byte) ([]byte, error) // a Zstandard decoder

	slabs  map[string]*secondSlab // by id in hexadecimal
	former int                    // former identities that tables have
}

// secondKeys are the keys of section 5.
type secondKeys struct{ identity, boundaries, wrapping, file, slots, groups []byte }

// openSecond opens the repository in fsys by the key slot of the given kind.
func openSecond(fsys fs.FS, kind string, secret []byte, unzip func([]byte) ([]byte, error)) (*secondReader, error) {
	r := &secondReader{fsys: fsys, unzip: unzip, slabs: map[string]*secondSlab{}}
	var readable secondReadable
	if err := r.readJSON("kist.json", &readable); err != nil {
		return nil, err
	}
	if readable.Format != 1 {
		return nil, fmt.Errorf("kist.json: format %d", readable.Format)
	}
	r.average, r.apart = readable.Average, readable.Apart
	var err error
	if r.id, err = unhex(readable.ID, 16); err != nil {
		return nil, err
	}
	if r.root, err = r.openSlot(kind, secret); err != nil {
		return nil, err
	}
	if r.keys, err = secondDerive(r.root, r.id); err != nil {
		return nil, err
	}
	return r, readable.checkSeal(r.keys.file)
}

// secondReadable is kist.json, section 3.
type secondReadable struct {
	Format  int    `json:"kist_format"`
	ID      string `json:"id"`
	Made    string `json:"made"`
	Average int    `json:"chunk_average"`
	Grace   int    `json:"grace_seconds"`
	Recheck string `json:"recheck"`
	Apart   string `json:"apart"`
	Seal    string `json:"seal"`
}

func (f *secondReadable) sealed() string {
	text := fmt.Sprintf("kist format 1\nid %s\nmade %s\nchunk average %d\n", f.ID, f.Made, f.Average)
	if f.Grace != 0 {
		text += fmt.Sprintf("grace %d\n", f.Grace)
	}
	if f.Recheck != "" {
		text += "recheck off\n"
	}
	if f.Apart != "" {
		text += fmt.Sprintf("apart %s\n", f.Apart)
	}
	return text
}

func (f *secondReadable) checkSeal(key []byte) error {
	seal, err := unhex(f.Seal, 32)
	if err != nil {
		return err
	}
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(f.sealed()))
	if !hmac.Equal(seal, mac.Sum(nil)) {
		return fmt.Errorf("kist.json: the seal is wrong")
	}
	return nil
}

// secondDerive derives the keys of section 5.
func secondDerive(root, id []byte) (k secondKeys, err error) {
	for info, key := range map[string]*[]byte{
		"kist 1 chunk identity":      &k.identity,
		"kist 1 chunk boundaries":    &k.boundaries,
		"kist 1 object key wrapping": &k.wrapping,
		"kist 1 repository file":     &k.file,
		"kist 1 key slots":           &k.slots,
		"kist 1 groups":              &k.groups,
	} {
		*key, err = hkdf.Key(sha256.New, root, id, info, 32)
		if err != nil {
			return k, err
		}
	}
	return k, nil
}

// secondObject is a sealed object, section 6.
type secondObject struct {
	r          *secondReader
	kind, name string
	wrapped    []byte
	key        []byte
	all, body  []byte // body: behind the header
}

// secondKinds are the kinds of objects.
var secondKinds = map[string]byte{"slab": 1, "table": 2, "capture": 3, "hold": 4, "retired": 5, "lease": 6, "batch": 7, "rehearsal": 8, "verification": 9, "place": 10, "elsewhere": 11, "retirement": 12, "bundle": 13, "settings": 14}

func (r *secondReader) object(kind, name string) (*secondObject, error) {
	b, err := fs.ReadFile(r.fsys, name)
	if err != nil {
		return nil, err
	}
	sealedAs := path.Base(name)
	if strings.HasPrefix(name, "place/") {
		sealedAs = strings.TrimSuffix(sealedAs, ".again")
	}
	o := &secondObject{r: r, kind: kind, name: sealedAs, all: b}
	if len(b) < 16 || string(b[:4]) != "kist" || b[4] != secondKinds[kind] || b[5] != 0 ||
		number(b[6:8]) != 1 || number(b[12:16]) != 0 {
		return nil, fmt.Errorf("%s: no header of a %s of format 1", name, kind)
	}
	n := number(b[10:12])
	if wrapping := number(b[8:10]); wrapping != 1 || n != 72 || len(b) < 16+72 {
		return nil, fmt.Errorf("%s: wrapping kind %d, %d bytes", name, wrapping, n)
	}
	o.wrapped, o.body = b[16:16+n], b[16+n:]
	bound := append(o.bound("kist 1 wrapping"), b[8:10]...)
	o.key, err = openX(r.keys.wrapping, o.wrapped[:24], o.wrapped[24:], bound)
	return o, err
}

// bound is object(domain) of section 6.
func (o *secondObject) bound(domain string) (b []byte) {
	for _, field := range []string{domain, string(o.r.id), o.kind, o.name} {
		b = binary.LittleEndian.AppendUint32(b, uint32(len(field)))
		b = append(b, field...)
	}
	return b
}

// The kinds of pieces.
const (
	secondFrame   = 1
	secondSection = 2
	secondTrailer = 3
	secondRecord  = 4
)

// nonce gives a piece's nonce, and additional data its additional data.
func (o *secondObject) nonce(kind uint32, n uint64) []byte {
	return binary.LittleEndian.AppendUint64(binary.LittleEndian.AppendUint32(nil, kind), n)
}

func (o *secondObject) additionalData(kind uint32, n uint64) []byte {
	return append(o.bound("kist 1 piece"), o.nonce(kind, n)...)
}

func (o *secondObject) open(kind uint32, n uint64, sealed []byte) ([]byte, error) {
	aead, err := chacha20poly1305.New(o.key)
	if err != nil {
		return nil, err
	}
	b, err := aead.Open(nil, o.nonce(kind, n), sealed, o.additionalData(kind, n))
	if err != nil {
		return nil, fmt.Errorf("%s %s, piece %d of kind %d: %w", o.kind, o.name, n, kind, err)
	}
	return b, nil
}

func openX(key, nonce, sealed, bound []byte) ([]byte, error) {
	aead, err := chacha20poly1305.NewX(key)
	if err != nil {
		return nil, err
	}
	return aead.Open(nil, nonce, sealed, bound)
}

// number reads an unsigned little-endian number of up to 8 bytes.
func number(b []byte) uint64 {
	var w [8]byte
	copy(w[:], b)
	return binary.LittleEndian.Uint64(w[:])
}

func unhex(s string, n int) ([]byte, error) {
	b, err := hex.DecodeString(s)
	if err == nil && len(b) != n {
		err = fmt.Errorf("%d bytes where %d belong", len(b), n)
	}
	return b, err
}

func secondEncoding() cbor.EncMode {
	m, err := cbor.CoreDetEncOptions().EncMode()
	if err != nil {
		panic(err)
	}
	return m
}

// secondRecordInto decodes a record. Encoded again it must give the same
// bytes: so it was encoded deterministically, and the page names all fields.
func secondRecordInto(b []byte, record any) error {
	m, err := cbor.DecOptions{
		DupMapKey: cbor.DupMapKeyEnforcedAPF, IndefLength: cbor.IndefLengthForbidden, TagsMd: cbor.TagsForbidden,
		MaxArrayElements: 1 << 20, ExtraReturnErrors: cbor.ExtraDecErrorUnknownField,
	}.DecMode()
	if err != nil {
		return err
	}
	if err := m.Unmarshal(b, record); err != nil {
		return err
	}
	again, err := secondEncoding().Marshal(record)
	if err == nil && !bytes.Equal(again, b) {
		err = fmt.Errorf("encoded again the record differs: %x, %x", b, again)
	}
	return err
}

func (r *secondReader) readJSON(name string, into any) error {
	b, err := fs.ReadFile(r.fsys, name)
	if err != nil {
		return err
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	return d.Decode(into)
}

// list gives the names of the objects in a folder.
func (r *secondReader) list(folder string) ([]string, error) {
	return fs.Glob(r.fsys, folder+"/*")
}
