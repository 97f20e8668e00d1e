package members

import (
	"fmt"
	"time"
	"unicode/utf8"

	"github.com/kistarchive/kist/store"
)

// RawName gives the bytes of a name that is not UTF-8, and so can't stand in JSON as it
// is; nil for all others.
func RawName(name string) []byte {
	if utf8.ValidString(name) {
		return nil
	}
	return []byte(name)
}

// JSON is a member as scripts get it: its names to the byte, its time as RFC 3339 can
// write it.
type JSON struct {
	*store.Member
	PathBytes []byte `json:"path_bytes,omitempty"`
	LinkBytes []byte `json:"link_bytes,omitempty"`
	Mode      string `json:"mode"` // permissions, in octal
}

// NewJSON leaves the member as it is. It gives nil for nil.
func NewJSON(m *store.Member) *JSON {
	if m == nil {
		return nil
	}
	shown := *m
	shown.Modified = jsonTime(m.Modified) // a tar stream may hold any number of seconds
	return &JSON{&shown, RawName(m.Path), RawName(m.Link), fmt.Sprintf("%04o", ModeBits(m.Mode))}
}

// The times that RFC 3339 can write, which time.Time.MarshalJSON demands.
var (
	firstJSONTime = time.Date(0, 1, 1, 0, 0, 0, 0, time.UTC)
	lastJSONTime  = time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC)
)

// jsonTime gives the time that RFC 3339 can write which is nearest to t. It compares
// seconds since 1970, since the year of a time that is far off may have overflowed.
func jsonTime(t time.Time) time.Time {
	switch s := t.Unix(); {
	case s < firstJSONTime.Unix():
		return firstJSONTime
	case s > lastJSONTime.Unix():
		return lastJSONTime
	}
	if year := t.Year(); year < 0 || year > 9999 { // only in its time zone
		return t.UTC()
	}
	return t
}
