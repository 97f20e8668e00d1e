package serve

import (
	"net/url"
	"regexp"
	"strings"
	"testing"
)

// TestFindOrder: members come by path, whatever their order in the stream ("./beds/b" is the first there), or those first that changed last; and each version leads to how its text differs
// from the one before.
func TestFindOrder(t *testing.T) {
	w := newWorld(t)
	w.is = w.capture("4.3.0", tarOf(t, map[string]string{"beds/a": "1\n", "./beds/b": "1\n"}))
	w.capture("4.4.0", tarOf(t, map[string]string{"beds/a": "1\n", "./beds/b": "2\n"}))
	w.server.library.forget()
	for order, want := range map[string]string{"": "./beds/a ./beds/b", "changed": "./beds/b ./beds/a"} {
		_, _, body := w.get("/find?" + url.Values{"q": {"beds/*"}, "order": {order}}.Encode())
		var got []string
		for _, m := range regexp.MustCompile(`<h2>([^<]*)</h2>`).FindAllStringSubmatch(body, -1) {
			got = append(got, "./"+strings.TrimPrefix(m[1], "./"))
		}
		if strings.Join(got, " ") != want || strings.Count(body, "how the text differs") != 1 {
			t.Errorf("order %q: %q", order, got)
		}
	}
}

// TestVersionsLink: a member's page leads to its versions, and to no other member, whatever it is called.
func TestVersionsLink(t *testing.T) {
	w := newWorld(t)
	w.is = w.capture("4.3.0", tarOf(t, map[string]string{`b*e?d[s]\x`: "1", "beeds\\x": "2", "a/config/seedbank.toml": "", "config/seedbank.toml": ""}))
	w.server.library.forget()
	for path, versions := range map[string]string{`b*e?d[s]\x`: "1 version ", "config/seedbank.toml": "3 versions "} {
		_, _, body := w.get(w.in(path).Member())
		link := regexp.MustCompile(`href="(/find\?[^"]*)">All its versions`).FindStringSubmatch(body)
		if link == nil {
			t.Fatalf("%s: no link in\n%s", path, body)
		}
		if _, _, body = w.get(strings.ReplaceAll(link[1], "&amp;", "&")); strings.Count(body, "<h2>") != 1 || !strings.Contains(body, versions) {
			t.Errorf("%s: not %s alone in\n%s", path, versions, body)
		}
	}
}
