package textdiff

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
)

// MaxSize is the most bytes that a text may have, on either side.
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
	d := Compare(was.Text, is.Text)
	if len(d.Hunks) == 0 {
		return ""
	}
	var b strings.Builder
	b.WriteString("--- " + was.label() + "\n+++ " + is.label() + "\n")
	for _, h := range d.Hunks {
		fmt.Fprintf(&b, "@@ -%s +%s @@\n", h.Was, h.Is)
		at := h.Was.From
		for _, c := range h.Changes {
			write(&b, ' ', d.Was[at:c.Was.From])
			write(&b, '-', d.Was[c.Was.From:c.Was.To])
			write(&b, '+', d.Is[c.Is.From:c.Is.To])
			at = c.Was.To
		}
		write(&b, ' ', d.Was[at:h.Was.To])
	}
	return b.String()
}

func write(b *strings.Builder, kind byte, lines []string) {
	for _, line := range lines {
		b.WriteByte(kind)
		b.WriteString(line)
		if !strings.HasSuffix(line, "\n") {
			b.WriteString("\n\\ No newline at end of file\n")
		}
	}
}

// String gives lines as the title of a unified hunk has them: the number of the first one, and how many, unless it is
// one; of none, the number of the one before.
func (s Span) String() string {
	switch s.Len() {
	case 0:
		return fmt.Sprintf("%d,0", s.From)
	case 1:
		return fmt.Sprint(s.From + 1)
	}
	return fmt.Sprintf("%d,%d", s.From+1, s.Len())
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
