package serve

import (
	"html"
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

// TestVolumeRenamed: the only volumes of two captures are compared whatever they are called, and links lead to each by
// its own name.
func TestVolumeRenamed(t *testing.T) {
	w := newWorld(t)
	volumes := w.volumes(string(tarOf(t, map[string]string{"config/seedbank.toml": "bean = 3\n"})))
	volumes[0].Name = "seeds"
	is, err := w.r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: volumes})
	if err != nil {
		t.Fatal(err)
	}
	w.server.library.forget()
	_, _, body := w.get("/compare?" + url.Values{"was": {w.is.ID}, "is": {is.ID}, "only": {"seedbank.toml"}}.Encode())
	for _, at := range []ref{w.in("config/seedbank.toml"), {is.ID, "seeds", "config/seedbank.toml"}} {
		if link := `href="` + html.EscapeString(at.Member()) + `"`; !strings.Contains(body, link) {
			t.Errorf("%s is not in\n%s", link, body)
		}
	}
}
