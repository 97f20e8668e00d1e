package screen

import "github.com/mattn/go-runewidth"

// Shorten gives text that takes at most so many columns of a terminal: what is too long
// loses its middle.
func Shorten(s string, columns int) string {
	if runewidth.StringWidth(s) <= columns {
		return s
	}
	front := runewidth.Truncate(s, columns/2, "")
	back := runewidth.TruncateLeft(s, runewidth.StringWidth(s)-(columns-1-runewidth.StringWidth(front)), "")
	return front + "…" + back
}
