package serve

import (
	"strings"
	"testing"
)

// TestIsText: a zero byte is in no text, and few bytes are in one that are not UTF-8.
func TestIsText(t *testing.T) {
	for in, want := range map[string]bool{
		"": true, "bean\n": true, "caf\u00e9": true, "be\x00an": false, "\x00": false, strings.Repeat("bean", 1<<10) + "\x00": false,
		"\xff\xff\xff\xff": true, "\xff\xff\xff\xff\xff": false, strings.Repeat("bean\n", 10) + "\xff\xff\xff\xff\xff": true,
	} {
		if got := isText([]byte(in)); got != want {
			t.Errorf("%.20q: %t", in, got)
		}
	}
}
