package pattern

import (
	"errors"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
)

func TestPatterns(t *testing.T) {
	for _, c := range []struct {
		text, member string
		want         bool
	}{
		{"data/catalogue.dat", "./data/catalogue.dat", true},
		{"./data/catalogue.dat", "data/catalogue.dat", true},
		{"/data/catalogue.dat", "data/catalogue.dat", true},
		{"data", "./data/", true},
		{"data/", "data/deep/catalogue.dat", true},
		{"data", "database/x", false},
		{"*.dat", "catalogue.dat", true},
		{"*.dat", "data/catalogue.dat", true},    // in any folder
		{"./*.dat", "data/catalogue.dat", false}, // * does not fit a slash
		{"/*.dat", "data/catalogue.dat", false},
		{"./catalogue.dat", "data/catalogue.dat", false},
		{"catalogue.dat", "./data/deep/catalogue.dat", true},
		{"deep", "./data/deep/catalogue.dat", true}, // a folder, wherever it is
		{"deep/", "./data/deep/catalogue.dat", true},
		{"data/*.dat", "old/data/catalogue.dat", false},
		{"cata*", "data/catalogue.dat", true},
		{"/", "anything", true},
		{"./", "anything", true},
		{"..", "a", false},
		{"*/*.dat", "data/catalogue.dat", true},
		{"d?t[a-c]", "data/x", true},
		{".", "anything/at/all", true},
		{"x", "./", false},
		{"*", "./", true},
		{"*", "a/b/c", true},
	} {
		p, err := New([]string{c.text})
		if err != nil {
			t.Fatal(err)
		}
		if got := p.Match(c.member); got != c.want || p.Note(c.member) != got || (p.Unused() == nil) != got {
			t.Errorf("%q on %q: %v", c.text, c.member, got)
		}
	}
	none, err := New(nil)
	if err != nil || !none.Match("x") || !none.Note("x") || none.Unused() != nil {
		t.Error("no patterns fit everything")
	}
	if _, err := New([]string{"[a"}); !errors.As(err, new(*cmdline.UsageError)) {
		t.Error(err)
	}
}
