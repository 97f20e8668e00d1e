package main

import (
	"unicode/utf8"

	"github.com/kistarchive/kist/store"
)

// rawNameHelp says what JSON has of names that it can't hold.
const rawNameHelp = `

With --json a name that is not UTF-8 is given once more, as path_bytes or link_bytes:
its bytes in base64.`

// rawName gives the bytes of a name that is not UTF-8, and so can't stand in JSON as it
// is; nil for all others.
func rawName(name string) []byte {
	if utf8.ValidString(name) {
		return nil
	}
	return []byte(name)
}

// rawMemberJSON is a member whose names scripts get to the byte, and a time that JSON
// can hold.
type rawMemberJSON struct {
	*store.Member
	PathBytes []byte `json:"path_bytes,omitempty"`
	LinkBytes []byte `json:"link_bytes,omitempty"`
}

// newRawMemberJSON gives nil for nil.
func newRawMemberJSON(m *store.Member) *rawMemberJSON {
	if m == nil {
		return nil
	}
	return &rawMemberJSON{withJSONTime(m), rawName(m.Path), rawName(m.Link)}
}

// differenceJSON is a difference as scripts get it.
type differenceJSON struct {
	Volume    string         `json:"volume"`
	Path      string         `json:"path"`
	PathBytes []byte         `json:"path_bytes,omitempty"`
	Was       *rawMemberJSON `json:"was,omitempty"`
	Is        *rawMemberJSON `json:"is,omitempty"`
	Contents  bool           `json:"contents"`
	Bytes     int64          `json:"bytes"`
}

func newDifferenceJSON(d store.Difference) differenceJSON {
	return differenceJSON{d.Volume, d.Path, rawName(d.Path), newRawMemberJSON(d.Was), newRawMemberJSON(d.Is), d.Contents, d.Bytes}
}
