package screen

import "github.com/mattn/go-runewidth"

// Columns is how many columns of a terminal a text takes, which has no line breaks: two for a wide character.
func Columns(s string) int { return runewidth.StringWidth(s) }

// Shorten gives text that takes at most so many columns of a terminal: what is too long
// loses its middle.
func Shorten(s string, columns int) string {
	if Columns(s) <= columns {
		return s
	}
	front := runewidth.Truncate(s, columns/2, "")
	back := runewidth.TruncateLeft(s, Columns(s)-(columns-1-Columns(front)), "")
	return front + "…" + back
}
