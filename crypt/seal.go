package crypt

import (
	"crypto/cipher"
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"sync"

	"golang.org/x/crypto/chacha20poly1305"
)

const (
	// Overhead is how many bytes a sealed piece is longer than its plaintext:
	// the Poly1305 tag.
	Overhead = chacha20poly1305.Overhead

	// WrappedSize is the length in bytes of an object key wrapped by
	// [WrapXChaCha20Poly1305]: nonce, key, tag.
	WrappedSize = chacha20poly1305.NonceSizeX + keySize + chacha20poly1305.Overhead
)

// WrappingKind says how an object's key is wrapped. Numbers are never reused.
type WrappingKind uint16

// WrapXChaCha20Poly1305 wraps under the key that the root key derives, with
// XChaCha20-Poly1305 (draft-irtf-cfrg-xchacha-03) and a random 24-byte nonce
// that stands first.
const WrapXChaCha20Poly1305 WrappingKind = 1

// ObjectName says which object a sealed piece belongs to.
type ObjectName struct {
	Repository RepositoryID
	Kind       string // such as "slab"
	Name       string // unique among the objects of its kind
}

// String returns the kind and the name.
func (n ObjectName) String() string { return n.Kind + " " + n.Name }

// PieceKind says what a sealed piece of an object is. Numbers are never reused.
type PieceKind uint32

const (
	PieceFrame   PieceKind = 1 // a compressed frame of chunks
	PieceSection PieceKind = 2 // a typed section, such as a table
	PieceTrailer PieceKind = 3 // the fixed end of an object
	PieceRecord  PieceKind = 4 // the content of an object that holds one record
)

// String names the kind.
func (k PieceKind) String() string {
	switch k {
	case PieceFrame:
		return "frame"
	case PieceSection:
		return "section"
	case PieceTrailer:
		return "trailer"
	case PieceRecord:
		return "record"
	}
	return fmt.Sprintf("piece of kind %d", uint32(k))
}

// Piece is the place of a sealed piece in its object. Kind and Number together
// make the nonce: no two pieces of an object may have both the same.
type Piece struct {
	Kind   PieceKind
	Number uint64
}

// String returns the kind and the number.
func (p Piece) String() string { return fmt.Sprintf("%v %d", p.Kind, p.Number) }

// Domains of the additional data.
const (
	domainWrapping = "kist 1 wrapping"
	domainPiece    = "kist 1 piece"
)

// NewSealer makes the key of a new object. It returns what seals the object's
// pieces, and the object key wrapped for the object's header. It fails with
// [ErrKeysWiped].
func (k *Keys) NewSealer(n ObjectName) (s *Sealer, kind WrappingKind, wrapped []byte, err error) {
	kind = WrapXChaCha20Poly1305
	wrapper, err := k.wrapper()
	if err != nil {
		return nil, 0, nil, fmt.Errorf("%v: wrap the object key: %w", n, err)
	}
	key := newKey()
	wrapped = make([]byte, wrapper.NonceSize(), WrappedSize)
	rand.Read(wrapped) // the nonce
	wrapped = wrapper.Seal(wrapped, wrapped, key[:], wrappingData(n, kind))
	pieces, err := newPieceCipher(n, key[:])
	if err != nil {
		return nil, 0, nil, err
	}
	return &Sealer{pieces: pieces}, kind, wrapped, nil
}

// NewOpener unwraps the key in the header of a stored object. It fails with
// [ErrUnknownWrapping], [ErrDamaged] or [ErrKeysWiped].
func (k *Keys) NewOpener(n ObjectName, kind WrappingKind, wrapped []byte) (*Opener, error) {
	if kind != WrapXChaCha20Poly1305 {
		return nil, fmt.Errorf("%v: wrapping %d: %w", n, kind, ErrUnknownWrapping)
	}
	if len(wrapped) != WrappedSize {
		return nil, fmt.Errorf("%v: object key of %d bytes: %w", n, len(wrapped), ErrDamaged)
	}
	wrapper, err := k.wrapper()
	if err != nil {
		return nil, fmt.Errorf("%v: unwrap the object key: %w", n, err)
	}
	nonce, sealed := wrapped[:wrapper.NonceSize()], wrapped[wrapper.NonceSize():]
	key, err := wrapper.Open(nil, nonce, sealed, wrappingData(n, kind))
	if err != nil {
		return nil, fmt.Errorf("%v: object key: %w", n, ErrDamaged)
	}
	pieces, err := newPieceCipher(n, key)
	if err != nil {
		return nil, err
	}
	return &Opener{pieces: pieces}, nil
}

// wrapper seals and opens object keys.
func (k *Keys) wrapper() (wrapper cipher.AEAD, err error) {
	if wiped := k.use(func(d *derivedKeys) { wrapper, err = chacha20poly1305.NewX(d.wrapping[:]) }); wiped != nil {
		return nil, wiped
	}
	return wrapper, err
}

// Sealer seals the pieces of one new object. It prints as "[secret]" and may
// be used concurrently.
type Sealer struct {
	redacted
	pieces *pieceCipher
}

// Seal appends the sealed plaintext, [Overhead] bytes longer, to dst and
// returns the result, with ChaCha20-Poly1305 (RFC 8439). To seal in place, pass
// plaintext[:0] as dst; any other overlap panics, as does a plaintext of more
// than 2^38-64 bytes. It allocates only to grow dst.
//
// The nonce is the piece's kind (32 bits) and number (64 bits), little-endian.
// The object key is fresh, so it is unique as long as each piece is sealed once;
// sealing two plaintexts as the same piece would give both away.
func (s *Sealer) Seal(dst, plaintext []byte, piece Piece) []byte {
	place := s.pieces.place(piece)
	defer s.pieces.release(place)
	return s.pieces.aead.Seal(dst, place.nonce(), plaintext, place.data)
}

// Opener opens the sealed pieces of one stored object. There is no way to seal
// another piece under a stored object's key. It prints as "[secret]" and may be
// used concurrently.
type Opener struct {
	redacted
	pieces *pieceCipher
}

// Open appends the plaintext of a sealed piece to dst and returns the result.
// To open in place, pass sealed[:0] as dst. It fails with [ErrDamaged] if the
// piece changed or was sealed for another place; dst's spare capacity may then
// be overwritten.
func (o *Opener) Open(dst, sealed []byte, piece Piece) ([]byte, error) {
	place := o.pieces.place(piece)
	defer o.pieces.release(place)
	plaintext, err := o.pieces.aead.Open(dst, place.nonce(), sealed, place.data)
	if err != nil {
		return nil, fmt.Errorf("%v: %v: %w", o.pieces.name, piece, ErrDamaged)
	}
	return plaintext, nil
}

// pieceCipher seals and opens the pieces of one object.
type pieceCipher struct {
	name   ObjectName
	aead   cipher.AEAD
	places sync.Pool // of *place: nonce and additional data, made without allocating
}

func newPieceCipher(n ObjectName, key []byte) (*pieceCipher, error) {
	aead, err := chacha20poly1305.New(key)
	if err != nil {
		return nil, fmt.Errorf("%v: object key: %w", n, err)
	}
	prefix := appendObject(nil, domainPiece, n)
	c := &pieceCipher{name: n, aead: aead}
	c.places.New = func() any {
		data := make([]byte, len(prefix)+chacha20poly1305.NonceSize)
		copy(data, prefix)
		return &place{data: data}
	}
	return c, nil
}

// place is the additional data of one piece. Its end, kind and number, is the
// nonce too.
type place struct{ data []byte }

func (p *place) nonce() []byte { return p.data[len(p.data)-chacha20poly1305.NonceSize:] }

func (c *pieceCipher) place(piece Piece) *place {
	p := c.places.Get().(*place)
	nonce := p.nonce()
	binary.LittleEndian.PutUint32(nonce, uint32(piece.Kind))
	binary.LittleEndian.PutUint64(nonce[4:], piece.Number)
	return p
}

func (c *pieceCipher) release(p *place) { c.places.Put(p) }

// wrappingData is the additional data of a wrapped object key.
func wrappingData(n ObjectName, kind WrappingKind) []byte {
	return binary.LittleEndian.AppendUint16(appendObject(nil, domainWrapping, n), uint16(kind))
}

// appendObject appends the domain and the object, each field after its length
// (32 bits, little-endian), so that no two objects give the same bytes.
func appendObject(dst []byte, domain string, n ObjectName) []byte {
	for _, field := range []string{domain, string(n.Repository[:]), n.Kind, n.Name} {
		dst = binary.LittleEndian.AppendUint32(dst, uint32(len(field)))
		dst = append(dst, field...)
	}
	return dst
}
