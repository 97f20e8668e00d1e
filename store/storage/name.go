package storage

import (
	"fmt"
	"strings"
)

// Limits of object names: well within what every file system and share takes, a
// path of 260 characters on Windows included for all but the deepest folders.
const (
	maxElements = 4  // of a name
	maxElement  = 64 // bytes of one element
)

// CheckName reports whether name can name an object, on every medium alike: one to
// four elements separated by slashes, each of 1 to 64 bytes out of a-z, 0-9, '.'
// and '-', not starting with '.' or '-', not ending with '.', and not a device name
// of Windows (con, nul, com1.txt, …). The error wraps [ErrBadName].
func CheckName(name string) error {
	elements := strings.Split(name, "/")
	if len(elements) > maxElements {
		return fmt.Errorf("%w: more than %d elements", ErrBadName, maxElements)
	}
	for _, e := range elements {
		if why := badElement(e); why != "" {
			return fmt.Errorf("%w: element %.70q %s", ErrBadName, e, why)
		}
	}
	return nil
}

// badElement says what is wrong with one element of a name, or "".
func badElement(e string) string {
	switch {
	case e == "":
		return "is empty"
	case len(e) > maxElement:
		return fmt.Sprintf("has more than %d bytes", maxElement)
	case e[0] == '.' || e[0] == '-':
		return "starts with '" + e[:1] + "'"
	case e[len(e)-1] == '.':
		return "ends with '.'"
	case strings.ContainsFunc(e, outsideAlphabet):
		return "has a character other than a-z, 0-9, '.' and '-'"
	case isDevice(e):
		return "is a device name on Windows"
	}
	return ""
}

func outsideAlphabet(r rune) bool {
	return (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '.' && r != '-'
}

// isDevice reports whether Windows takes the element for a device, with or without
// an extension: "Naming Files, Paths, and Namespaces" in Microsoft's Win32
// documentation.
func isDevice(e string) bool {
	base, _, _ := strings.Cut(e, ".")
	switch base {
	case "con", "prn", "aux", "nul":
		return true
	}
	port, isCOM := strings.CutPrefix(base, "com")
	if !isCOM {
		var isLPT bool
		if port, isLPT = strings.CutPrefix(base, "lpt"); !isLPT {
			return false
		}
	}
	return len(port) == 1 && port[0] >= '0' && port[0] <= '9'
}
