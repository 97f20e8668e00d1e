package textdiff

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/aymanbagabas/go-udiff"
)

// MaxSize is the most bytes that a text may have, on either side: in the worst case finding
// the difference takes time by the square of it, and some seconds for texts of that size.
const MaxSize = 1 << 20

// ErrBinary is returned for what is no text: it has a zero byte, by which diff tells it, too.
var ErrBinary = errors.New("it is no text")

// ErrTooLarge is returned for more than MaxSize bytes.
var ErrTooLarge = fmt.Errorf("it has more than %d MiB", MaxSize>>20)

// Side is one of two texts.
type Side struct {
	Path string    // a relative one, by which patch finds the file; "" where there is no such text
	Time time.Time // of modification
	Text []byte
}

// Read reads a text. It fails with ErrTooLarge, with ErrBinary, and with what reading fails with.
func Read(r io.Reader) ([]byte, error) {
	b, err := io.ReadAll(io.LimitReader(r, MaxSize+1))
	switch {
	case err != nil:
		return nil, err
	case bytes.IndexByte(b, 0) >= 0:
		return nil, ErrBinary
	case len(b) > MaxSize:
		return nil, ErrTooLarge
	}
	return b, nil
}

// Unified gives the unified difference of two texts with three lines around each change, or ""
// where they are the same. It is as the texts are, byte for byte: whoever shows it on a
// terminal escapes what that obeys.
func Unified(was, is Side) string {
	return udiff.Unified(was.label(), is.label(), string(was.Text), string(is.Text))
}

// label is what stands behind --- and +++.
func (s *Side) label() string {
	if s.Path == "" {
		return "/dev/null"
	}
	return quoted(s.Path) + "\t" + s.Time.Format("2006-01-02 15:04:05.000000000 -0700")
}

// quoted gives a name as GNU diff and patch write one that would not stand in a line: as a
// string of C (GNU diffutils manual, "Detailed Description of Unified Format"; from memory).
func quoted(name string) string {
	if !strings.ContainsFunc(name, func(r rune) bool { return r < ' ' || r == 0x7f || r == '"' || r == '\\' }) {
		return name
	}
	var b strings.Builder
	b.WriteByte('"')
	for i := range len(name) {
		switch c := name[i]; {
		case c == '"' || c == '\\':
			b.WriteByte('\\')
			b.WriteByte(c)
		case c < ' ' || c >= 0x7f:
			fmt.Fprintf(&b, `\%03o`, c)
		default:
			b.WriteByte(c)
		}
	}
	b.WriteByte('"')
	return b.String()
}
