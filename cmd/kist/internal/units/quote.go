package units

import (
	"fmt"
	"path"
	"strings"
	"unicode/utf8"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// text escapes a value: specifiers begin with % (systemd.unit(5)), and a
// line break or a backslash at its end would change the line. It has no escapes for what
// would not show.
func text(s string) string {
	s = strings.Map(func(r rune) rune {
		if !screen.Visible(r) {
			return ' '
		}
		return r
	}, s)
	return strings.ReplaceAll(strings.TrimRight(s, `\`), "%", "%%")
}

// joined quotes words (systemd.syntax(7), "Quoting").
func joined(words []string) string {
	quoted := make([]string, len(words))
	for i, word := range words {
		quoted[i] = quote(word)
	}
	return strings.Join(quoted, " ")
}

// command quotes a command line, in which $ stands for variables too
// (systemd.service(5), "Command lines").
func command(words []string) string {
	return strings.ReplaceAll(joined(words), "$", "$$")
}

func quote(word string) string {
	var b strings.Builder
	plain := word != ""
	for at := 0; at < len(word); {
		r, n := utf8.DecodeRuneInString(word[at:])
		part := word[at : at+n]
		switch {
		case r == '"' || r == '\\':
			b.WriteString(`\` + part)
			plain = false
		case !screen.IsVisible(part):
			for _, c := range []byte(part) {
				fmt.Fprintf(&b, `\x%02x`, c)
			}
			plain = false
		default:
			b.WriteString(part)
			plain = plain && !strings.ContainsRune(" ';", r)
		}
		at += n
	}
	escaped := strings.ReplaceAll(b.String(), "%", "%%")
	if plain {
		return escaped
	}
	return `"` + escaped + `"`
}

// mountUnit gives the name of the unit of a mount point, an absolute path (systemd.unit(5), "String Escaping for Inclusion in
// Unit Names").
func mountUnit(point string) string {
	name := strings.Trim(path.Clean(point), "/")
	if name == "" {
		return "-.mount"
	}
	var b strings.Builder
	for i := range len(name) {
		switch c := name[i]; {
		case c == '/':
			b.WriteByte('-')
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '_', c == ':', c == '.' && i > 0:
			b.WriteByte(c)
		default:
			fmt.Fprintf(&b, `\x%02x`, c)
		}
	}
	return b.String() + ".mount"
}
