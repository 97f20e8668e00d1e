package cmdline

import "testing"

// TestDistance: kitten and sitting are the usual example; ca and abc are 3 apart in the restricted
// distance and 2 in the full one (both as in textbooks, from memory).
func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"", "", 0}, {"", "abc", 3}, {"abc", "", 3}, {"abc", "abc", 0},
		{"kitten", "sitting", 3}, {"ca", "abc", 3}, {"ab", "ba", 1}, {"seedbakn", "seedbank", 1}, {"für", "fur", 1},
	} {
		if got := distance(c.a, c.b); got != c.want {
			t.Errorf("%q, %q: %d, not %d", c.a, c.b, got, c.want)
		}
	}
}

func TestNearest(t *testing.T) {
	known := []string{"capture", "list", "restore", "retire", "verify", "a"}
	for word, want := range map[string]string{
		"captrue": "capture", "lsit": "list", "lst": "list", "restor": "restore", "Verify": "verify", "retrie": "retire",
		"frobnicate": "", "": "", "x": "", "b": "", "seedbank": "",
	} {
		if got := Nearest(word, known); got != want {
			t.Errorf("%q: %q, not %q", word, got, want)
		}
	}
	if got := Meant("lsit", known) + Meant("frobnicate", known); got != "; did you mean list?" {
		t.Error(got)
	}
}
