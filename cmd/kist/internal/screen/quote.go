package screen

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// ShellQuote quotes an argument for a POSIX shell where that is needed. What would not
// show, or steer a terminal, is written as an escape of printf: all shells know those,
// and $'…' only what is as new as POSIX.1-2024 (XCU 2.2.4). The one exception are line
// breaks at the end of an argument, which a shell takes from what a command prints
// (XCU 2.6.3); in quotes they harm nothing.
func ShellQuote(s string) string {
	text := strings.TrimRight(s, "\n")
	end := ""
	if breaks := s[len(text):]; breaks != "" {
		end = "'" + breaks + "'"
	}
	switch {
	case s == "":
		return "''"
	case text == "":
		return end
	case !IsVisible(text):
		return `"$(printf '` + printfFormat(text) + `')"` + end
	case strings.IndexFunc(text, needsQuotes) < 0:
		return text + end
	}
	return "'" + strings.ReplaceAll(text, "'", `'\''`) + "'" + end
}

func needsQuotes(r rune) bool {
	plain := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-_./@=%:", r)
	return !plain
}

// printfFormat writes text as a format of printf (POSIX.1-2024, XCU printf and XBD 5),
// to stand between single quotes. A format that begins with - might be an option.
func printfFormat(text string) string {
	var b strings.Builder
	for at := 0; at < len(text); {
		r, n := utf8.DecodeRuneInString(text[at:])
		part := text[at : at+n]
		switch {
		case r == '%' || r == '\\':
			b.WriteString(part + part)
		case r == '\'' || r == '-' && at == 0 || !IsVisible(part):
			for _, c := range []byte(part) {
				fmt.Fprintf(&b, `\%03o`, c)
			}
		default:
			b.WriteString(part)
		}
		at += n
	}
	return b.String()
}
