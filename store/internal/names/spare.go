package names

import (
	"fmt"
	"strconv"
	"strings"
)

// Spares is the folder of second copies of small objects.
const Spares = "spare"

// Spare gives the name of the second copy of an object: that of the object, with dots for its slashes.
func Spare(object string) string { return Spares + "/" + strings.ReplaceAll(object, "/", ".") }

// ParseSpare is the inverse of Spare, for objects that may have a second copy.
func ParseSpare(name string) (object string, err error) {
	rest, ok := strings.CutPrefix(name, Spares+"/")
	folder, base, _ := strings.Cut(rest, ".")
	object = folder + "/" + base
	switch folder {
	case Captures:
		_, _, err = ParseCapture(object)
	case Tables:
		ok = ok && IsID(base)
	case KeySlots:
		id, json := strings.CutSuffix(base, ".json")
		ok = ok && json && isHex(id, slotDigits)
	case Slabs:
		object = folder + "/" + strings.Replace(base, ".", "/", 1)
		_, err = ParseSlab(object)
	default:
		object, ok = Manifest, ok && rest == Manifest
	}
	if !ok || err != nil {
		return "", fmt.Errorf("%q: no second copy's name", name)
	}
	return object, nil
}

const slotDigits = 16 // hexadecimal

// settings is what the name of a mark ends with that has settings of a place.
const settings = ".settings"

// Settings gives the name of a mark with settings of a place, by how many there were before.
func Settings(n int) string { return Place + "/" + strconv.Itoa(n) + settings }

// ParseSettings is the inverse of Settings.
func ParseSettings(name string) (n int, ok bool) {
	text, ok := strings.CutSuffix(strings.TrimPrefix(name, Place+"/"), settings)
	n, is := number(text)
	return n, ok && is && Settings(n) == name
}

// IsSettings tells whether a name is one of Settings.
func IsSettings(name string) bool {
	_, ok := ParseSettings(name)
	return ok
}

// again is what the second copy of a mark in the folder Place has behind the mark's name.
const again = ".again"

// Again gives the name of the second copy of a mark that says which place it is, or has settings of it.
func Again(mark string) string { return mark + again }

// ParseOwn gives, of a name of PlaceMark or Settings, or of Again of one, that mark's name.
func ParseOwn(name string) (mark string, ok bool) {
	mark = strings.TrimSuffix(name, again)
	_, err := ParsePlace(mark)
	return mark, err == nil || IsSettings(mark)
}
