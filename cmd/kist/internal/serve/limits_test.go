package serve

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/textdiff"
	"github.com/kistarchive/kist/store"
)

// TestPageLimits: pages show so much and no more, say that there is more, and lead there.
func TestPageLimits(t *testing.T) {
	w := newWorld(t)
	lots := make(map[string]string)
	for i := range differencesAtOnce + 1 {
		lots[fmt.Sprintf("lots/%04d", i)] = ""
	}
	was := w.capture("4.3.0", tarOf(t, map[string]string{"x": ""}))
	is := w.capture("4.4.0", tarOf(t, lots))
	compared := url.Values{"was": {was.ID}, "is": {is.ID}, "only": {"lots/*"}}
	find := url.Values{"q": {"lots/0*"}}
	for _, c := range []struct {
		what, path, row, next string
		most, rest            int
	}{
		{"differences", "/compare?" + compared.Encode(), `<td class="kind">`, "from=500", differencesAtOnce, 1},
		{"entries", ref{is.ID, is.Volumes[0].Name, "lots"}.Folder(), `<td class="kind">`, "after=0249", entriesAtOnce, entriesAtOnce},
		{"found members", "/find?" + find.Encode(), "<h2>", "from=100", foundAtOnce, foundAtOnce},
	} {
		w.server.library.forget()
		_, _, body := w.get(c.path)
		if n := strings.Count(body, c.row); n != c.most {
			t.Errorf("%s: %d on the page, not %d", c.what, n, c.most)
		}
		if !strings.Contains(body, c.next) {
			t.Errorf("%s: no link with %s", c.what, c.next)
		}
		_, _, body = w.get(c.path + "&" + c.next)
		if n := strings.Count(body, c.row); n != c.rest {
			t.Errorf("%s: %d on the next page, not %d", c.what, n, c.rest)
		}
		if c.what == "differences" && !regexp.MustCompile(`href="/compare\?from=0&amp;[^"]*">Back`).MatchString(body) {
			t.Errorf("%s: no way back", c.what)
		}
	}
	many := &listing{Listing: &store.Listing{}}
	for i := range capturesAtOnce + 1 {
		many.Captures = append(many.Captures, &store.Capture{ID: fmt.Sprint(i)})
	}
	w.server.library.mu.Lock()
	w.server.library.listed, w.server.library.at = many, time.Now().Add(time.Hour)
	w.server.library.mu.Unlock()
	if _, _, body := w.get("/"); strings.Count(body, `<th scope="row" class="id">`) != capturesAtOnce || !strings.Contains(body, "from=200") {
		t.Error("captures are not bounded")
	}
}

// TestViewLimits: so it is with what comes in parts of a page.
func TestViewLimits(t *testing.T) {
	of := []*store.Capture{{ID: "a"}}
	found := store.FoundMember{}
	for range versionsAtOnce + 2 {
		found.Versions = append(found.Versions, store.MemberVersion{Member: &store.Member{}, Captures: of})
	}
	if v := newFoundView(found); len(v.Versions) != versionsAtOnce || v.More != 2 {
		t.Errorf("%d versions, and %d more", len(v.Versions), v.More)
	}
	of = []*store.Capture{{ID: "a"}, {ID: "b"}, {ID: "c", Retired: &store.Retirement{}}}
	found.Versions = []store.MemberVersion{{Member: &store.Member{}, Captures: of}, {Member: &store.Member{}, Captures: of[2:]}}
	if v := newFoundView(found); v.Versions[1].Newest.ID != "b" || v.Versions[0].Newest.ID != "c" {
		t.Errorf("the newest are %s and %s: one that stays, where there is any", v.Versions[1].Newest.ID, v.Versions[0].Newest.ID)
	}
	text := &textView{}
	text.add(textdiff.Compare([]byte(strings.Repeat("bean\n", 4000)), []byte(strings.Repeat("rye\n", 4000))))
	if text.Came != 4000 || text.Went != 4000 || text.More != 8000-2*rowsAtOnce {
		t.Errorf("%d lines came, %d went, %d are not shown", text.Came, text.Went, text.More)
	}
	for text, want := range map[string]int{"": 0, "x": 0, "-1": 0, "3": 3, "11": 10, "99999999999999999999": 0} {
		if got := number(text, 10); got != want {
			t.Errorf("%q: %d", text, got)
		}
	}
	l := &library{}
	for i := range mostOpened + 3 {
		l.use("a", fmt.Sprint(i))
	}
	if len(l.opened) != mostOpened || l.opened[0].volume != "3" {
		t.Errorf("%d volumes are kept, the first is %s", len(l.opened), l.opened[0].volume)
	}
}

// TestWorkLimits: whoever comes on top waits, and gets no answer but that when he can't.
func TestWorkLimits(t *testing.T) {
	k := newWork()
	if cap(k.all) != mostAtOnce || cap(k.looking) != mostHeavy {
		t.Errorf("room for %d and %d", cap(k.all), cap(k.looking))
	}
	for range mostAtOnce {
		k.all <- struct{}{}
	}
	for range mostHeavy {
		k.looking <- struct{}{}
	}
	done, leave := context.WithCancel(t.Context())
	leave()
	r := httptest.NewRequest("GET", "/", nil).WithContext(done)
	called := false
	out := httptest.NewRecorder()
	k.bounded(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { called = true })).ServeHTTP(out, r)
	if called || out.Code != http.StatusServiceUnavailable || out.Header().Get("Retry-After") == "" {
		t.Errorf("%d, %t", out.Code, called)
	}
	a := &answer{ResponseWriter: httptest.NewRecorder()}
	if err := k.heavy(func(*answer, *http.Request) error { called = true; return nil })(a, r); err != errBusy || called {
		t.Errorf("%v, %t", err, called)
	}
	<-k.all
	k.bounded(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { called = true })).ServeHTTP(out, httptest.NewRequest("GET", "/", nil))
	if !called || len(k.all) != mostAtOnce-1 {
		t.Errorf("%t, %d at work", called, len(k.all))
	}
}

// nowhere is a listener that nobody can reach.
type nowhere struct{ net.Listener }

func (nowhere) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8420} }

// TestHeavyPages: pages that look through captures wait for each other, and others do not wait for them.
func TestHeavyPages(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := New(t.Context(), nowhere{}, Options{})
		secret, _ := s.gate.enter(s.gate.invitation())
		for range mostHeavy {
			s.work.looking <- struct{}{}
		}
		for path, status := range map[string]int{"/compare": 503, "/text": 503, "/find": 503, "/costs": 503, "/nothing": 404} {
			r := httptest.NewRequest("GET", path, nil)
			r.Host = "127.0.0.1:8420"
			r.AddCookie(&http.Cookie{Name: s.gate.cookie, Value: secret})
			out, start := httptest.NewRecorder(), time.Now()
			func() {
				defer func() {
					if p := recover(); p != nil { // there is no repository to look through
						t.Errorf("%s did not wait: %v", path, p)
					}
				}()
				s.handler.ServeHTTP(out, r.WithContext(context.WithValue(t.Context(), http.LocalAddrContextKey, s.at.Addr())))
			}()
			waited := time.Since(start) == waitTime
			if out.Code != status || waited != (status == 503) || waited != strings.Contains(out.Body.String(), errBusy.text) {
				t.Errorf("%s: %d after %v", path, out.Code, time.Since(start))
			}
		}
	})
}

// TestRequestLimits: nobody is read for longer, or at greater length, than a request has.
func TestRequestLimits(t *testing.T) {
	w := newWorld(t)
	status, _, _ := w.do("GET", "/", func(r *http.Request) { r.Header.Set("X-Bean", strings.Repeat("x", mostHeaders+8<<10)) })
	if status != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("headers: %d", status)
	}
	server := w.server.http(t.Context())
	if server.ReadHeaderTimeout <= 0 || server.ReadTimeout <= 0 || server.IdleTimeout <= 0 || server.MaxHeaderBytes != mostHeaders {
		t.Errorf("%v, %v, %v, %d", server.ReadHeaderTimeout, server.ReadTimeout, server.IdleTimeout, server.MaxHeaderBytes)
	}
	form := "x=" + strings.Repeat("x", 5<<10) + "&token=" + w.server.gate.invitation()
	posted, err := http.Post("http://"+w.addr+"/enter", "application/x-www-form-urlencoded", strings.NewReader(form))
	if err != nil {
		t.Fatal(err)
	}
	posted.Body.Close()
	if posted.StatusCode != http.StatusForbidden {
		t.Errorf("a long form: %d", posted.StatusCode)
	}
	for what, c := range map[string]struct {
		asked  string
		status int
	}{
		"some":        {`<prop>` + strings.Repeat("<a/>", mostProperties-2) + `</prop>`, http.StatusMultiStatus},
		"many":        {`<prop>` + strings.Repeat("<a/>", mostProperties-1) + `</prop>`, http.StatusForbidden},
		"long":        {`<!--` + strings.Repeat("x", mostAsked) + `--><allprop/>`, http.StatusRequestEntityTooLarge},
		"no question": {`<allprop`, http.StatusBadRequest},
	} {
		got, _, body := w.dav("PROPFIND", "/dav/", func(r *http.Request) {
			r.Header.Set("Depth", "0")
			r.Body = io.NopCloser(strings.NewReader(`<?xml version="1.0"?><propfind xmlns="DAV:">` + c.asked + `</propfind>`))
		})
		if got != c.status {
			t.Errorf("%s: %d, not %d: %s", what, got, c.status, body)
		}
	}
}

// TestLate: nothing of a stream goes out before so much of it is there.
func TestLate(t *testing.T) {
	var out bytes.Buffer
	l := &late{w: &out}
	for range provedFirst - 1 {
		l.kept.WriteByte('x')
	}
	if n, err := l.Write(nil); n != 0 || err != nil || out.Len() != 0 {
		t.Errorf("%d bytes went out", out.Len())
	}
	if n, err := l.Write([]byte("y")); n != 1 || err != nil || out.Len() != provedFirst {
		t.Errorf("%d bytes went out", out.Len())
	}
	if n, err := l.Write([]byte("z")); n != 1 || err != nil || out.Len() != provedFirst+1 {
		t.Errorf("%d bytes went out", out.Len())
	}
	if err := l.end(); err != nil || out.Len() != provedFirst+1 {
		t.Errorf("%d bytes went out at the end", out.Len())
	}
}
