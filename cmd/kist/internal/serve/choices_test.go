package serve

import (
	"fmt"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store"
)

var (
	chosen  = regexp.MustCompile(`<option value="([^"]*)" selected>`)
	options = regexp.MustCompile(`<option value="([^"]*)"[^>]*>([^<]*)`)
)

// TestCompareBegins: the page begins with the last two captures of the service that was captured last, of those that have
// two, and says of each its service, version and date.
func TestCompareBegins(t *testing.T) {
	w := newWorld(t)
	alone, err := w.r.Capture(t.Context(), store.CaptureOptions{Name: "mill", Host: "hazel", Taken: time.Now().Add(-time.Second), Volumes: w.volumes("bean")})
	if err != nil {
		t.Fatal(err)
	}
	w.server.library.forget()
	_, _, body := w.get("/compare")
	var got []string
	for _, m := range chosen.FindAllStringSubmatch(body, -1) {
		got = append(got, m[1])
	}
	if strings.Join(got, " ") != w.was.ID+" "+w.is.ID {
		t.Errorf("chosen: %q, not %s and %s", got, w.was.ID, w.is.ID)
	}
	for _, has := range []string{`<optgroup label="seedbank on hazel">`, `<optgroup label="mill on hazel">`, ">seedbank 4.2.0, " + localTime(w.is.Taken) + ", " + w.is.ID + "<", ">mill " + localTime(alone.Taken)} {
		if !strings.Contains(body, has) {
			t.Errorf("%q is not in\n%s", has, body)
		}
	}
	if strings.Contains(body, "differ") {
		t.Error("something is compared unasked")
	}
}

// TestBefore: a capture is compared with older ones of its name, those of its host first.
func TestBefore(t *testing.T) {
	w := newWorld(t)
	var ids []string
	for i, host := range []string{"hazel", "elm", "hazel", "hazel"} {
		c, err := w.r.Capture(t.Context(), store.CaptureOptions{
			Name: "mill", Host: host, Taken: time.Date(2026, 3, 10+i, 2, 3, 0, 0, time.UTC), Volumes: w.volumes("bean"),
		})
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, c.ID)
	}
	w.server.library.forget()
	for at, want := range map[int][]string{0: nil, 1: {ids[0]}, 2: {ids[0], ids[1]}, 3: {ids[2], ids[0], ids[1]}} {
		_, _, body := w.get(ref{Capture: ids[at]}.CaptureLink())
		var got []string
		for _, m := range options.FindAllStringSubmatch(body, -1) {
			got = append(got, m[1])
		}
		if strings.Join(got, " ") != strings.Join(want, " ") {
			t.Errorf("capture %d: %q, not %q", at, got, want)
		}
	}
}

// TestTextsDiffer: no text is offered where there is none.
func TestTextsDiffer(t *testing.T) {
	file := func(path string, size int64) *store.Member {
		return &store.Member{Path: path, Size: size, Type: tarstream.File}
	}
	for _, c := range []struct {
		was, is  *store.Member
		contents bool
		want     bool
	}{
		{file("a", 1), file("a", 2), true, true},
		{file("a", 1), file("a", 1), false, false}, // only its mode
		{nil, file("a", 1), true, true},
		{file("a", 1), nil, false, true},
		{nil, file("a", 0), false, false}, // nothing to see
		{file("a", 0), file("a", 1), true, true},
		{file("a", 1), file("a", 1<<20+1), true, false},
		{file("lot.PNG", 1), file("lot.PNG", 2), true, false},
		{&store.Member{Path: "a", Type: tarstream.Folder}, file("a", 1), true, false},
		{nil, &store.Member{Path: "a", Type: tarstream.Symlink}, false, false},
	} {
		if got := textsDiffer(store.Difference{Was: c.was, Is: c.is, Contents: c.contents}); got != c.want {
			t.Errorf("%+v, %+v: %t", c.was, c.is, got)
		}
	}
}

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

// TestParts: a page of a large folder tells where it is, and leads on, back, to the beginning and to the end.
func TestParts(t *testing.T) {
	at := ref{"c", "v", "lots"}
	n := 2*entriesAtOnce + 7
	f := &folderNames{at: at}
	for i := range n {
		f.names = append(f.names, fmt.Sprintf("%04d", i))
	}
	behind := func(i int) string { return at.Behind(fmt.Sprintf("%04d", i)) }
	for _, c := range []struct {
		after   string
		members int
		more    bool // on pages behind
		counted bool // all names are
		want    partView
	}{
		{"", 250, true, true, partView{From: 1, To: 250, Last: behind(499)}},
		{"0249", 250, true, true, partView{From: 251, To: 500, First: at.Folder(), Back: at.Folder(), Last: behind(499)}},
		{"0499", 7, false, true, partView{From: 501, To: 507, First: at.Folder(), Back: behind(249)}},
		{"0009x", 250, true, true, partView{From: 11, To: 260, First: at.Folder(), Back: at.Folder(), Last: behind(499)}},
		{"zzz", 0, false, true, partView{From: 508, To: 507, First: at.Folder(), Back: behind(256)}},
		{"0249", 250, true, false, partView{From: 251, To: 500, More: true, First: at.Folder(), Back: at.Folder()}},
		{"zzz", 250, true, false, partView{More: true, First: at.Folder()}},
	} {
		f.more, c.want.All = !c.counted, n
		if got := newPartView(at, f, c.after, c.members, c.more); *got != c.want {
			t.Errorf("behind %q: %+v, not %+v", c.after, *got, c.want)
		}
	}
	l := &library{}
	for i := range mostFolders + 2 {
		l.useFolder(ref{Path: fmt.Sprint(i)})
	}
	if l.useFolder(ref{Path: "3"}); len(l.folders) != mostFolders || l.folders[0].at.Path != "2" || l.folders[mostFolders-1].at.Path != "3" {
		t.Errorf("%d folders are kept", len(l.folders))
	}
}
