package crypt

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/fxamacker/cbor/v2"
	"golang.org/x/crypto/chacha20poly1305"
)

const (
	// SlotVersion is the version of the slots that are made.
	SlotVersion = 2

	slotVersion1 = 1 // without check value and MAC; read, and not made any more
	checksumSize = 16

	// MaxSlotDocument is the greatest length of a slot's document in bytes.
	MaxSlotDocument = 64 << 10

	domainSlot = "kist 1 key slot\n"
)

// slotDocument is what a slot's JSON document holds.
type slotDocument struct {
	Version    int          `json:"version"`
	ID         SlotID       `json:"id"`
	Repository RepositoryID `json:"repository"`
	Kind       SlotKind     `json:"kind"`
	Label      string       `json:"label"`
	Made       time.Time    `json:"made"`
	Argon2id   *Cost        `json:"argon2id,omitempty"`
	Salt       hexBytes     `json:"salt"`
	Nonce      hexBytes     `json:"nonce"`
	Sealed     hexBytes     `json:"sealed"`
	Check      hexBytes     `json:"check,omitempty"` // not in version 1, like MAC
	MAC        hexBytes     `json:"mac,omitempty"`
	Checksum   string       `json:"checksum"`
}

// ParseSlot reads the document stored under the id. Whatever its version and
// kind, a document is checked for damage first: its checksum is the first 16
// bytes of SHA-256 over the deterministic CBOR (RFC 8949, section 4.2.1) of the
// JSON object without the checksum, with strings as text and numbers, which
// must be whole and fit 64 bits, as integers.
//
// Every error is a [*SlotError] and wraps [ErrDamagedSlot],
// [ErrUnknownSlotVersion] or [ErrUnknownSlotKind].
func ParseSlot(id SlotID, document []byte) (*Slot, error) {
	doc, err := parseSlotDocument(id, document)
	if err != nil {
		return nil, &SlotError{ID: id, Err: err}
	}
	return &Slot{doc: *doc}, nil
}

func parseSlotDocument(id SlotID, document []byte) (*slotDocument, error) {
	if len(document) > MaxSlotDocument {
		return nil, damagedSlot("its document is longer than %d bytes", MaxSlotDocument)
	}
	fields, err := decodeFields(document)
	if err != nil {
		return nil, damagedSlot("%v", err)
	}
	sum, err := fields.checksum()
	if err != nil {
		return nil, damagedSlot("%v", err)
	}
	if fields["checksum"] != sum {
		return nil, damagedSlot("its checksum does not fit")
	}
	if err := fields.checkKnown(); err != nil {
		return nil, err
	}
	var doc slotDocument
	if err := json.Unmarshal(document, &doc); err != nil {
		return nil, damagedSlot("%v", err)
	}
	// Field names that differ in case, unknown fields, and other ways of writing
	// a value would be lost here, and with them part of what the slot was bound to.
	if written, err := doc.checksum(); err != nil || written != sum {
		return nil, damagedSlot("its fields are not those of version %d", doc.Version)
	}
	return &doc, doc.check(id)
}

// check holds the fields of an intact document against their bounds.
func (d *slotDocument) check(id SlotID) error {
	switch {
	case d.ID != id || !validSlotID(id):
		return damagedSlot("its document is that of key slot %.16q", d.ID)
	case len(d.Salt) < minSalt || len(d.Salt) > maxSalt:
		return damagedSlot("a salt of %d bytes is not in %d to %d", len(d.Salt), minSalt, maxSalt)
	case len(d.Nonce) != chacha20poly1305.NonceSizeX:
		return damagedSlot("a nonce of %d bytes", len(d.Nonce))
	case len(d.Sealed) != keySize+chacha20poly1305.Overhead:
		return damagedSlot("a sealed root key of %d bytes", len(d.Sealed))
	case len(d.Check) != d.proofSize() || len(d.MAC) != d.proofSize():
		return damagedSlot("a check value of %d bytes and a MAC of %d in version %d", len(d.Check), len(d.MAC), d.Version)
	case !validLabel(d.Label):
		return damagedSlot("%v", ErrLabel)
	case (d.Argon2id != nil) != (d.Kind == SlotPassphrase):
		return damagedSlot("parameters that do not fit its kind")
	}
	if d.Argon2id == nil {
		return nil
	}
	if err := d.Argon2id.check(); err != nil {
		return damagedSlot("%v", err)
	}
	return nil
}

func (d *slotDocument) cost() Cost {
	if d.Argon2id == nil {
		return Cost{}
	}
	return *d.Argon2id
}

// proofSize is the length of the check value and of the MAC.
func (d *slotDocument) proofSize() int {
	if d.Version == slotVersion1 {
		return 0
	}
	return keySize
}

// Marshal returns the slot's JSON document, which ends with a newline.
func (s *Slot) Marshal() ([]byte, error) {
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(&s.doc); err != nil {
		return nil, &SlotError{ID: s.doc.ID, Err: err}
	}
	return out.Bytes(), nil
}

func damagedSlot(format string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(format, args...), ErrDamagedSlot)
}

// fields returns the document as a reader of any version sees it.
func (d *slotDocument) fields() (slotFields, error) {
	document, err := json.Marshal(d)
	if err != nil {
		return nil, err
	}
	return decodeFields(document)
}

func (d *slotDocument) checksum() (string, error) {
	fields, err := d.fields()
	if err != nil {
		return "", err
	}
	return fields.checksum()
}

// bound is what a seal or a MAC over the document is over: all of it but the
// fields named.
func (d *slotDocument) bound(without ...string) ([]byte, error) {
	fields, err := d.fields()
	if err != nil {
		return nil, err
	}
	data, err := fields.canonical(without...)
	return append([]byte(domainSlot), data...), err
}

// slotFields is the JSON object of a slot of any version and kind.
type slotFields map[string]any

func decodeFields(document []byte) (slotFields, error) {
	d := json.NewDecoder(bytes.NewReader(document))
	d.UseNumber()
	var fields slotFields
	if err := d.Decode(&fields); err != nil {
		return nil, fmt.Errorf("its document is no JSON object: %w", err)
	}
	if len(bytes.TrimSpace(document[d.InputOffset():])) > 0 {
		return nil, errors.New("its document goes on after the JSON object")
	}
	for name, value := range fields {
		whole, err := wholeNumbers(value)
		if err != nil {
			return nil, fmt.Errorf("its field %.40q: %w", name, err)
		}
		fields[name] = whole
	}
	return fields, nil
}

// wholeNumbers replaces every number in a JSON value by an integer.
func wholeNumbers(value any) (any, error) {
	switch v := value.(type) {
	case json.Number:
		return strconv.ParseInt(v.String(), 10, 64)
	case map[string]any:
		for name, inner := range v {
			whole, err := wholeNumbers(inner)
			if err != nil {
				return nil, err
			}
			v[name] = whole
		}
	case []any:
		for i, inner := range v {
			whole, err := wholeNumbers(inner)
			if err != nil {
				return nil, err
			}
			v[i] = whole
		}
	}
	return value, nil
}

// canonical is the deterministic CBOR of the fields but those named.
func (f slotFields) canonical(without ...string) ([]byte, error) {
	mode, err := cbor.CoreDetEncOptions().EncMode()
	if err != nil {
		return nil, err
	}
	rest := make(map[string]any, len(f))
	for name, value := range f {
		rest[name] = value
	}
	for _, name := range without {
		delete(rest, name)
	}
	return mode.Marshal(rest)
}

func (f slotFields) checksum() (string, error) {
	data, err := f.canonical("checksum")
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:checksumSize]), nil
}

// checkKnown refuses a version or kind that this release can't read.
func (f slotFields) checkKnown() error {
	version, isNumber := f["version"].(int64)
	kind, isText := f["kind"].(string)
	switch {
	case !isNumber || version < 1:
		return damagedSlot("it has no version")
	case version != slotVersion1 && version != SlotVersion:
		return fmt.Errorf("version %d: %w", version, ErrUnknownSlotVersion)
	case !isText:
		return damagedSlot("it has no kind")
	case kind != string(SlotPassphrase) && kind != string(SlotKeyFile):
		return fmt.Errorf("kind %.40q: %w", kind, ErrUnknownSlotKind)
	}
	return nil
}

// hexBytes stand in JSON as hexadecimal digits.
type hexBytes []byte

func (b hexBytes) MarshalText() ([]byte, error) { return []byte(hex.EncodeToString(b)), nil }

func (b *hexBytes) UnmarshalText(text []byte) error {
	*b = make([]byte, hex.DecodedLen(len(text)))
	return parseHex(*b, string(text))
}
