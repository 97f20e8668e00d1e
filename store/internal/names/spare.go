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
	n, err := strconv.Atoi(text)
	return n, ok && err == nil && n >= 0 && Settings(n) == name
}

// IsSettings tells whether a name is one of Settings.
func IsSettings(name string) bool {
	_, ok := ParseSettings(name)
	return ok
}
