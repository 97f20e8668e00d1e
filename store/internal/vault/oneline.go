package vault

import (
	"strconv"
	"strings"
)

// OneLine gives a label as it may stand in an error: what would break the line, steer a
// terminal or not show is escaped as in Go. Labels come from the repository, or from whoever asks.
func OneLine(label string) string {
	if strings.IndexFunc(label, odd) < 0 {
		return label
	}
	var b strings.Builder
	for _, r := range label {
		if odd(r) {
			b.WriteString(strings.Trim(strconv.QuoteRuneToASCII(r), "'"))
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}

func odd(r rune) bool { return !strconv.IsGraphic(r) || r == '\uFFFD' }
