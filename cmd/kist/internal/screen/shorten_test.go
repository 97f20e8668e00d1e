package screen

import (
	"testing"
	"unicode/utf8"
)

func TestShorten(t *testing.T) {
	for _, test := range []struct {
		in      string
		columns int
		want    string
	}{
		{"seedbank", 8, "seedbank"}, {"seedbank-of-the-valley", 9, "seed…lley"}, {"seedbank", 1, "…"}, {"", 3, ""},
		{"Käferbohne", 5, "Kä…ne"},
		{"種子銀行種子銀行", 7, "種…銀行"}, // each takes two columns (UAX #11)
	} {
		if got := Shorten(test.in, test.columns); got != test.want {
			t.Errorf("%q in %d columns: %q, not %q", test.in, test.columns, got, test.want)
		}
	}
}

func FuzzShorten(f *testing.F) {
	f.Add("seedbank-of-the-valley", 9)
	f.Add("種子銀行", 4)
	f.Fuzz(func(t *testing.T, s string, columns int) {
		if columns < 1 || columns > 1000 || !utf8.ValidString(s) {
			t.Skip()
		}
		if got := Shorten(s, columns); utf8.RuneCountInString(got) > utf8.RuneCountInString(s) || !utf8.ValidString(got) {
			t.Errorf("%q in %d columns: %q", s, columns, got)
		}
	})
}
