package names

import (
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/storage"
)

func TestEndings(t *testing.T) {
	const id = "20260314t0203z-k7f3"
	for _, mark := range []string{NewHold(id), NewRetired(id)} {
		name := Ending(mark)
		got, capture, err := ParseEnding(name)
		if err != nil || got != mark || capture != id || storage.CheckName(name) != nil {
			t.Errorf("%s: %s, %s, %v", name, got, capture, err)
		}
		// To a reader that does not know them, they are no marks.
		if capture, err := ParseMark(name); err == nil {
			t.Errorf("%s is taken for a mark of %s", name, capture)
		}
	}
	for _, name := range []string{
		"", ".undone", "retired/" + id + ".01234567", "retired/" + id + ".01234567.released", "holds/" + id + ".01234567.undone",
		"retired/" + id + ".undone", "retired/" + id + ".0123456.undone", "retired/" + id + ".01234567.undone.undone",
		"retired/" + id + ".01234567.Undone", "condemned/" + id + ".undone", "retired/" + strings.ToUpper(id) + ".01234567.undone",
	} {
		if mark, capture, err := ParseEnding(name); err == nil {
			t.Errorf("%q is taken for the end of %s of %s", name, mark, capture)
		}
	}
}
