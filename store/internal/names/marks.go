package names

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// errMark is returned for a name that no mark has.
var errMark = errors.New("no mark's name")

const (
	markDigits  = 8  // hexadecimal, behind the id of a held or retired capture
	leaseDigits = 16 // hexadecimal
	placeDigits = 16 // hexadecimal

	reserveDigits = 16 // hexadecimal
)

// NewHold gives a name, never used before, for a mark that holds a capture.
func NewHold(capture string) string { return Holds + "/" + capture + "." + randomHex(markDigits) }

// NewRetired gives a name, never used before, for a mark that retires a capture.
func NewRetired(capture string) string { return Retired + "/" + capture + "." + randomHex(markDigits) }

// ParseMark gives the capture that a name of NewHold or NewRetired is about.
func ParseMark(name string) (capture string, err error) {
	folder, rest, _ := strings.Cut(name, "/")
	capture, suffix, _ := strings.Cut(rest, ".")
	if folder != Holds && folder != Retired || !IsID(capture) || !isHex(suffix, markDigits) {
		return "", fmt.Errorf("%q: %w", name, errMark)
	}
	return capture, nil
}

// several is what the name of a mark ends with that retires several captures.
const several = ".several"

// NewRetirement gives a name, never used before, for a mark that retires several captures.
func NewRetirement(t time.Time) string {
	return Retired + "/" + NewID(t) + "." + randomHex(markDigits) + several
}

// ParseRetirement tells whether a name is one of NewRetirement, and gives what stands in it for the
// mark: see RetiredBy.
func ParseRetirement(name string) (mark string, ok bool) {
	mark, ok = strings.CutSuffix(name, several)
	_, err := ParseMark(mark)
	_, mark, _ = strings.Cut(mark, ".")
	return mark, ok && err == nil && strings.HasPrefix(name, Retired+"/")
}

// RetiredBy gives the name of the mark that one of several captures counts as: there is none of that
// name, but one that ends it may be there.
func RetiredBy(mark, capture string) string { return Retired + "/" + capture + "." + mark }

// NewRehearsal gives a name, never used before, for a mark that says how a rehearsal of a
// capture went.
func NewRehearsal(capture string) string {
	return Rehearsed + "/" + capture + "." + randomHex(markDigits)
}

// ParseRehearsal gives the capture that a name of NewRehearsal is about.
func ParseRehearsal(name string) (capture string, err error) {
	rest, ok := strings.CutPrefix(name, Rehearsed+"/")
	capture, suffix, _ := strings.Cut(rest, ".")
	if !ok || !IsID(capture) || !isHex(suffix, markDigits) {
		return "", fmt.Errorf("%q: %w", name, errMark)
	}
	return capture, nil
}

// NewVerification gives a name for a mark that says what verifying found. Another machine may have it already.
func NewVerification(t time.Time) string { return Verified + "/" + NewID(t) }

// IsVerification tells whether a name is one of NewVerification.
func IsVerification(name string) bool {
	id, ok := strings.CutPrefix(name, Verified+"/")
	return ok && IsID(id)
}

// NewPlace gives the identity of a place of a repository.
func NewPlace() string { return randomHex(placeDigits) }

// PlaceMark gives the name of the mark that a place has.
func PlaceMark(place string) string { return Place + "/" + place }

// ParsePlace is the inverse of PlaceMark.
func ParsePlace(name string) (place string, err error) {
	place, ok := strings.CutPrefix(name, Place+"/")
	if !ok || !isHex(place, placeDigits) {
		return "", fmt.Errorf("%q: %w", name, errMark)
	}
	return place, nil
}

// NewElsewhere gives a name, never used before, for a mark that names captures that are elsewhere.
func NewElsewhere(t time.Time) string { return Elsewhere + "/" + NewID(t) }

// IsElsewhere tells whether a name is one of NewElsewhere.
func IsElsewhere(name string) bool {
	id, ok := strings.CutPrefix(name, Elsewhere+"/")
	return ok && IsID(id)
}

// NewReserve gives a name, never used before, for a piece of the reserve.
func NewReserve() string { return Reserve + "/" + randomHex(reserveDigits) }

// IsReserve tells whether a name is one of NewReserve.
func IsReserve(name string) bool {
	digits, ok := strings.CutPrefix(name, Reserve+"/")
	return ok && isHex(digits, reserveDigits)
}

// NewLease gives the identity of a lease.
func NewLease() string { return randomHex(leaseDigits) }

// Lease gives the name of a lease, renewed that often.
func Lease(id string, renewal int) string { return Leases + "/" + id + "." + strconv.Itoa(renewal) }

// ParseLease is the inverse of Lease.
func ParseLease(name string) (id string, renewal int, err error) {
	id, n, _ := strings.Cut(strings.TrimPrefix(name, Leases+"/"), ".")
	renewal, ok := number(n)
	if !ok || !isHex(id, leaseDigits) || Lease(id, renewal) != name {
		return "", 0, fmt.Errorf("%q: %w", name, errMark)
	}
	return id, renewal, nil
}

// Stage says what a mark of a batch tells.
type Stage string

// The stages of a batch of what is to go.
const (
	Announced Stage = ""       // nothing wants it any more
	Final     Stage = "final"  // it goes now
	Gone      Stage = "gone"   // captures that are no more
	Harmed    Stage = "harmed" // what can't be read, and is not to be relied on
)

// Batch gives the name of a batch's mark.
func Batch(id string, stage Stage) string {
	if stage == Announced {
		return Condemned + "/" + id
	}
	return Condemned + "/" + id + "." + string(stage)
}

// ParseBatch is the inverse of Batch.
func ParseBatch(name string) (id string, stage Stage, err error) {
	id, s, _ := strings.Cut(strings.TrimPrefix(name, Condemned+"/"), ".")
	stage = Stage(s)
	if !IsID(id) || stage != Announced && stage != Final && stage != Gone && stage != Harmed || Batch(id, stage) != name {
		return "", "", fmt.Errorf("%q: %w", name, errMark)
	}
	return id, stage, nil
}

func randomHex(digits int) string {
	b := make([]byte, digits/2)
	rand.Read(b) // never fails: crypto/rand ends the process instead
	return hex.EncodeToString(b)
}

func isHex(s string, digits int) bool {
	return len(s) == digits && strings.Trim(s, digitsHex) == ""
}

const digitsHex = decimals + "abcdef"
