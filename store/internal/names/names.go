// Package names gives the names of a repository's objects.
package names

import (
	"crypto/rand"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
)

// Manifest is the one readable file, and what a repository is known by.
const Manifest = "kist.json"

// The folders of a repository.
const (
	KeySlots = "keyslots"
	Slabs    = "slabs"
	Tables   = "tables"
	Captures = "captures"

	Holds     = "holds"
	Retired   = "retired"
	Leases    = "leases"
	Condemned = "condemned"
	Rehearsed = "rehearsed"
	Verified  = "verified"
	Place     = "place"
	Elsewhere = "elsewhere"
	Bundles   = "bundles"
	Reserve   = "reserve"
)

// Folders gives all folders that a repository is made with.
func Folders() []string {
	return append([]string{KeySlots, Slabs, Tables, Captures}, Marks()...)
}

// Marks gives the folders of marks, of what is there to spare calls, and of the reserve: they may be missing where they would be empty.
func Marks() []string {
	return []string{Holds, Retired, Leases, Condemned, Rehearsed, Verified, Place, Elsewhere, Bundles, Reserve}
}

// Slab gives the name of a slab. Its first two digits are a folder, so that no
// folder has more than some thousands of entries.
func Slab(id format.SlabID) string {
	s := id.String()
	return Slabs + "/" + s[:2] + "/" + s
}

// ParseSlab is the inverse of Slab.
func ParseSlab(name string) (format.SlabID, error) {
	folder, text, _ := strings.Cut(strings.TrimPrefix(name, Slabs+"/"), "/")
	id, err := format.ParseSlabID(text)
	if err == nil && (len(name) != len(Slabs)+len("/xx/")+len(text) || folder != text[:2]) {
		err = fmt.Errorf("%q is no slab's name", name)
	}
	return id, err
}

// Table gives the name of a table object.
func Table(id string) string { return Tables + "/" + id }

// Bundle gives the name of a bundle of index files.
func Bundle(id string) string { return Bundles + "/" + id }

// IsBundle tells whether a name is one of Bundle.
func IsBundle(name string) bool {
	id, ok := strings.CutPrefix(name, Bundles+"/")
	return ok && IsID(id)
}

// KeySlot gives the name of a key slot.
func KeySlot(id string) string { return KeySlots + "/" + id + ".json" }

// Capture gives the name of a capture's index file of the given generation.
// The first generation is 0 and is not written out.
func Capture(id string, generation int) string {
	if generation == 0 {
		return Captures + "/" + id
	}
	return Captures + "/" + id + "." + strconv.Itoa(generation)
}

var errCapture = errors.New("no capture's name")

// ParseCapture is the inverse of Capture, for generations up to MaxNumber.
func ParseCapture(name string) (id string, generation int, err error) {
	rest, ok := strings.CutPrefix(name, Captures+"/")
	id, gen, found := strings.Cut(rest, ".")
	if found {
		generation, found = number(gen)
		ok = ok && found && generation > 0
	}
	if !ok || !IsID(id) {
		return "", 0, fmt.Errorf("%q: %w", name, errCapture)
	}
	return id, generation, nil
}

const (
	idTime    = "20060102t1504z"
	decimals  = "0123456789"
	idLetters = decimals + "abcdefghijklmnopqrstuvwxyz"
)

// NewID gives an identity for a capture or a table: the UTC minute and four
// random letters or digits, so that names sort by time.
func NewID(t time.Time) string {
	var suffix [4]byte
	for i := range suffix {
		suffix[i] = idLetters[randomBelow(byte(len(idLetters)))]
	}
	return t.UTC().Format(idTime) + "-" + string(suffix[:])
}

// randomBelow gives an unbiased random number below n.
func randomBelow(n byte) byte {
	var b [1]byte
	for {
		rand.Read(b[:]) // never fails: crypto/rand ends the process instead
		if int(b[0]) < 256/int(n)*int(n) {
			return b[0] % n
		}
	}
}

// IsID tells whether s is shaped like a NewID.
func IsID(s string) bool {
	const shape = "ddddddddtddddz-llll" // digits and letters
	if len(s) != len(shape) {
		return false
	}
	for i := range len(s) {
		digit := '0' <= s[i] && s[i] <= '9'
		switch shape[i] {
		case 'd':
			if !digit {
				return false
			}
		case 'l':
			if !digit && (s[i] < 'a' || s[i] > 'z') {
				return false
			}
		default:
			if s[i] != shape[i] {
				return false
			}
		}
	}
	return true
}
