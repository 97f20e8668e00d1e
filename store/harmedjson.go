package store

import (
	"encoding/json"
	"unicode/utf8"
)

// MarshalJSON adds path_bytes, the path in base64, where it is not UTF-8: JSON can't
// hold such a path.
func (h Harmed) MarshalJSON() ([]byte, error) {
	type plain Harmed // without this method
	var raw []byte
	if !utf8.ValidString(h.Path) {
		raw = []byte(h.Path)
	}
	return json.Marshal(struct {
		plain
		PathBytes []byte `json:"path_bytes,omitempty"`
	}{plain(h), raw})
}
