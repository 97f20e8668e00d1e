package serve

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/kistarchive/kist/store"
)

// TestMovedMeanwhile: what was moved is asked for once more, of what is read anew, unless something has gone out.
func TestMovedMeanwhile(t *testing.T) {
	w := newWorld(t)
	for _, c := range []struct {
		what    string
		fails   int
		begins  bool
		tried   int
		status  int
		aborted bool
	}{
		{"once", 1, false, 2, 200, false}, {"twice", 2, false, 2, 503, false}, {"under way", 1, true, 1, 200, true},
	} {
		tried := 0
		l := w.server.library
		if _, err := l.open(t.Context(), w.is.ID, w.is.Volumes[0].Name); err != nil {
			t.Fatal(err)
		}
		l.useFolder(w.in("config"))
		h := w.server.answering(func(a *answer, _ *http.Request) error {
			if tried++; tried <= c.fails {
				a.Header().Set("Content-Length", "7")
				a.Header().Set("Content-Disposition", "attachment")
				if c.begins {
					fmt.Fprint(a, "x")
				}
				return store.ErrMoved
			}
			if l.listed != nil || len(l.opened) > 0 || len(l.folders) > 0 {
				t.Errorf("%s: asked for once more of what was read before: %v, %d volumes, %d folders", c.what, l.listed, len(l.opened), len(l.folders))
			}
			a.Header().Del("Content-Length")
			return nil
		})
		out := httptest.NewRecorder()
		aborted := func() (aborted bool) {
			defer func() { aborted = recover() == http.ErrAbortHandler }()
			h.ServeHTTP(out, httptest.NewRequest("GET", "/", nil))
			return false
		}()
		if tried != c.tried || out.Code != c.status || aborted != c.aborted {
			t.Errorf("%s: tried %d times: %d, aborted: %t", c.what, tried, out.Code, aborted)
		}
		if out.Code != 200 && (out.Header().Get("Content-Length") != "" || out.Header().Get("Content-Disposition") != "") {
			t.Errorf("%s: the error has %v", c.what, out.Header())
		}
	}
}
