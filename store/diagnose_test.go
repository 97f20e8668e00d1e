package store_test

import (
	"bytes"
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/fxamacker/cbor/v2"
)

// diagnoseFirst gives the first item of a CBOR sequence in diagnostic notation,
// and its encoded length.
func diagnoseFirst(b []byte) (text string, n int, err error) {
	var v any
	rest, err := cbor.UnmarshalFirst(b, &v)
	return diagnose(v, 0), len(b) - len(rest), err
}

// shortBytes leaves out what is behind the first four bytes and before the last.
func shortBytes(b []byte) string {
	if len(b) <= 16 {
		return fmt.Sprintf("h'%x'", b)
	}
	return fmt.Sprintf("h'%x…%x' / %d bytes /", b[:4], b[len(b)-4:], len(b))
}

const exampleWidth = 92

// diagnose gives a value in diagnostic notation (RFC 8949, section 8; comments
// and "…" as in its notes on elision), broken into lines where it is long.
func diagnose(v any, indent int) string {
	open, items, end := "", []string(nil), ""
	switch v := v.(type) {
	case []byte:
		return shortBytes(v)
	case string:
		return fmt.Sprintf("%q", v)
	case nil:
		return "null"
	case []any:
		open, end = "[", "]"
		for i, x := range v {
			if len(v) > 5 && i > 0 && i < len(v)-1 {
				continue
			}
			if len(v) > 5 && i > 0 {
				items = append(items, fmt.Sprintf("… / %d more /", len(v)-2))
			}
			items = append(items, diagnose(x, indent+2))
		}
	case map[any]any:
		open, end = "{", "}"
		for _, k := range slices.SortedFunc(maps.Keys(v), compareKeys) {
			items = append(items, diagnose(k, 0)+": "+diagnose(v[k], indent+2))
		}
	default:
		return fmt.Sprint(v)
	}
	line := open + strings.Join(items, ", ") + end
	if len(line)+indent <= exampleWidth && !strings.Contains(line, "\n") {
		return line
	}
	margin := strings.Repeat(" ", indent)
	return open + "\n" + margin + "  " + strings.Join(items, ",\n"+margin+"  ") + "\n" + margin + end
}

// compareKeys orders keys as RFC 8949, section 4.2.1, does: by their encoding.
func compareKeys(a, b any) int {
	x, err1 := secondEncoding().Marshal(a)
	y, err2 := secondEncoding().Marshal(b)
	if err := cmp.Or(err1, err2); err != nil {
		panic(err) // they were decoded
	}
	return bytes.Compare(x, y)
}
