package serve

import (
	"fmt"
	"net/url"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/textdiff"
)

// textPage asks for how a member's text differs between the two captures of a world.
func (w *world) textPage(path string) string {
	w.t.Helper()
	q := url.Values{"was": {w.was.ID}, "is": {w.is.ID}, "v": {w.is.Volumes[0].Name}, "p": {path}}
	status, _, body := w.get("/text?" + q.Encode())
	if status != 200 {
		w.t.Errorf("%s: %d", path, status)
	}
	return body
}

// TestTextRows: lines that went stand beside those that came in their place, between three that are the same.
func TestTextRows(t *testing.T) {
	was, is := "1\n2\n3\n4\n5\n6\n7\n8\n9\n", "1\n2\n3\n4\nfive\nfive and a half\n6\n7\n8\n9"
	v := &textView{}
	v.add(textdiff.Compare([]byte(was), []byte(is)))
	var got []string
	for _, h := range v.Hunks {
		got = append(got, h.Title())
		for _, r := range h.Rows {
			got = append(got, fmt.Sprintf("%d %s|%d %s|%t %t %t", r.WasNumber, r.Was, r.IsNumber, r.Is, r.Same, r.WasOpen, r.IsOpen))
		}
	}
	want := []string{
		"Was: lines 2 to 9. Is: lines 2 to 10",
		"2 2|2 2|true false false", "3 3|3 3|true false false", "4 4|4 4|true false false",
		"5 5|5 five|false false false", "0 |6 five and a half|false false false",
		"6 6|7 6|true false false", "7 7|8 7|true false false", "8 8|9 8|true false false",
		"9 9|10 9|false false true",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") || v.Came != 3 || v.Went != 2 || v.More != 0 {
		t.Errorf("%d, %d, %d:\n%s", v.Came, v.Went, v.More, strings.Join(got, "\n"))
	}
}

// TestLongText: of texts that are other throughout so much is shown as a page bears, and the page says what is left
// out, and how to see it.
func TestLongText(t *testing.T) {
	w := newWorld(t)
	text := func(first string) string { return strings.Repeat(first+"\n", textdiff.MaxSize/(len(first)+1)) }
	for what, lines := range map[string][2]string{"short": {"a", "b"}, "long": {strings.Repeat("a", 40<<10), strings.Repeat("b", 40<<10)}} {
		w.was = w.capture("4.3.0", tarOf(t, map[string]string{"it's": text(lines[0])}))
		w.is = w.capture("4.4.0", tarOf(t, map[string]string{"it's": text(lines[1])}))
		w.server.library.forget()
		body := w.textPage("it's")
		rows := strings.Count(body, "<ins>")
		if rows == 0 || rows > rowsAtOnce || len(body) > 2*mostRows+200*rowsAtOnce {
			t.Errorf("%s lines: %d rows in %d bytes", what, rows, len(body))
		}
		for _, has := range []string{"not shown", "kist compare " + w.was.ID + " " + w.is.ID, "/download?"} {
			if !strings.Contains(body, has) {
				t.Errorf("%s lines: the page has no %q", what, has)
			}
		}
	}
}

// TestLongLine: a line of a length that no page bears is cut, which the page says, and what escaping adds counts, too.
func TestLongLine(t *testing.T) {
	w := newWorld(t)
	line := func(end string) string { return strings.Repeat("\x01", textdiff.MaxSize-16) + end }
	w.was = w.capture("4.3.0", tarOf(t, map[string]string{"line": line("a\n")}))
	w.is = w.capture("4.4.0", tarOf(t, map[string]string{"line": line("b\n")}))
	w.server.library.forget()
	body := w.textPage("line")
	if len(body) > 1<<20 || strings.Count(body, "more bytes of this line") != 2 {
		t.Errorf("%d bytes; %d lines are said to be cut", len(body), strings.Count(body, "more bytes of this line"))
	}
	v := &textView{}
	if v.line("\x01&\n"); v.bytes != len(`\x01&amp;`) {
		t.Errorf("%d bytes", v.bytes)
	}
}

// TestNoText: the page says why two members can't be compared line by line, and what to do instead.
func TestNoText(t *testing.T) {
	w := newWorld(t)
	w.was = w.capture("4.3.0", tarOf(t, map[string]string{"beds": "a\x00b", "lots": "a"}))
	w.is = w.capture("4.4.0", tarOf(t, map[string]string{"beds": "a", "lots": strings.Repeat("a", textdiff.MaxSize+1)}))
	w.server.library.forget()
	for path, why := range map[string]string{"beds": textdiff.ErrBinary.Error(), "lots": textdiff.ErrTooLarge.Error()} {
		if body := w.textPage(path); !strings.Contains(body, why) || strings.Count(body, "/download?") != 2 {
			t.Errorf("%s: not %q, and two downloads, in\n%s", path, why, body)
		}
	}
}
