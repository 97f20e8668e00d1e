package serve

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// TestBefore: a capture is compared with older ones of its name that are not retired, those of its host first.
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
	var others []string
	for _, name := range []string{"compost", "mill"} { // of another name, and retired
		c, err := w.r.Capture(t.Context(), store.CaptureOptions{Name: name, Host: "hazel", Taken: time.Date(2026, 2, 10, 2, 3, 0, 0, time.UTC), Volumes: w.volumes("bean")})
		if err != nil {
			t.Fatal(err)
		}
		others = append(others, c.ID)
	}
	if err := w.r.Retire(t.Context(), others[1:], store.MarkOptions{}); err != nil {
		t.Fatal(err)
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

// TestRetiredUnasked: retired captures are listed, and there to compare with, for who asks for them.
func TestRetiredUnasked(t *testing.T) {
	w := newWorld(t)
	if err := w.r.Retire(t.Context(), []string{w.was.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	w.server.library.forget()
	compared := url.Values{"was": {w.is.ID}, "is": {w.is.ID}}
	for path, shown := range map[string]bool{
		"/": false, "/?retired=1": true, "/?name=seedbank": false,
		"/compare": false, "/compare?" + compared.Encode(): false, "/compare?" + strings.Replace(compared.Encode(), w.is.ID, w.was.ID, 1): true,
	} {
		row := `/capture?c=`
		if strings.HasPrefix(path, "/compare") {
			row = `<option value="`
		}
		if _, _, body := w.get(path); strings.Contains(body, row+w.was.ID) != shown || !strings.Contains(body, row+w.is.ID) {
			t.Errorf("%s: the retired one is shown: %t", path, !shown)
		}
	}
}
