package serve

import (
	"net/url"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/textdiff"
)

// TestEscaped: what steers a terminal or a page is escaped wherever names and texts are shown.
func TestEscaped(t *testing.T) {
	v := &textView{}
	v.add(textdiff.Compare([]byte("same \x1b[31m\nwas \x1b[31m\n"), []byte("same \x1b[31m\nis \u202e\n")))
	for _, row := range v.Hunks[0].Rows {
		if strings.ContainsAny(row.Was+row.Is, "\x1b\u202e") {
			t.Errorf("%+v", row)
		}
	}
	for _, c := range (ref{"c", "v\x1b", "a\x1b/b\u202e/c\x1b"}).crumbs() {
		if strings.ContainsAny(c.Text, "\x1b\u202e") {
			t.Errorf("%q", c.Text)
		}
	}
	w := newWorld(t)
	for _, path := range []string{
		"/text?" + url.Values{"was": {w.was.ID}, "is": {w.is.ID}, "v": {w.is.Volumes[0].Name}, "p": {"config/" + hostile + ".md"}}.Encode(),
		w.in("x\x1b/y").Folder(), w.in("text\x1b").From("text", -5), w.in("config/seedbank.toml").From("text", -5),
	} {
		if _, _, body := w.get(path); strings.ContainsAny(body, "\x1b\u202e") {
			t.Errorf("%s: shown as it is", path)
		}
	}
	if status, _, _ := w.get(w.in("config/seedbank.toml").From("text", -5)); status != 200 {
		t.Errorf("from before the beginning: %d", status)
	}
}

// TestTyped: a field gets back what somebody may have typed into it, and not what would show otherwise than it is.
func TestTyped(t *testing.T) {
	for in, want := range map[string]string{"config/*.toml": "config/*.toml", "caf\u00e9": "caf\u00e9", "x\u202e": "", "x\x1b[31m": "", "\xff": "", hostile: ""} {
		if got := typed(in); got != want {
			t.Errorf("%q: %q", in, got)
		}
	}
}
