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
)

// Folders gives all folders that a repository is made with.
func Folders() []string {
	return []string{KeySlots, Slabs, Tables, Captures, Holds, Retired, Leases, Condemned}
}

// Slab gives the name of a slab. Its first two digits are a folder, so that no
// folder has more than some thousands of entries.
func Slab(id format.SlabID) string {
	s := id.String()
	return Slabs + "/" + s[:2] + "/" + s
}

// ParseSlab is the inverse of Slab.
func ParseSlab(name string) (format.SlabID, error) {
	id, err := format.ParseSlabID(name[strings.LastIndexByte(name, '/')+1:])
	if err == nil && Slab(id) != name {
		err = fmt.Errorf("%q is no slab's name", name)
	}
	return id, err
}

// Table gives the name of a table object.
func Table(id string) string { return Tables + "/" + id }

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

// ParseCapture is the inverse of Capture.
func ParseCapture(name string) (id string, generation int, err error) {
	id, gen, found := strings.Cut(strings.TrimPrefix(name, Captures+"/"), ".")
	if found {
		if generation, err = strconv.Atoi(gen); err != nil || generation < 1 {
			return "", 0, fmt.Errorf("%q: %w", name, errCapture)
		}
	}
	if !IsID(id) || Capture(id, generation) != name {
		return "", 0, fmt.Errorf("%q: %w", name, errCapture)
	}
	return id, generation, nil
}

const (
	idTime    = "20060102t1504z"
	digits    = "0123456789"
	idLetters = digits + "abcdefghijklmnopqrstuvwxyz"
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
	minute, suffix, ok := strings.Cut(s, "-")
	if !ok || len(minute) != len(idTime) || len(suffix) != 4 || strings.Trim(suffix, idLetters) != "" {
		return false
	}
	return strings.Trim(minute[:8], digits) == "" && minute[8] == 't' &&
		strings.Trim(minute[9:13], digits) == "" && minute[13] == 'z'
}
