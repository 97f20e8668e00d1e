package serve

import (
	"net"
	"net/http"
	"testing"
	"time"
)

// TestStrangers: however many connections strangers open, who was let in gets answers, by old connections and by new
// ones, and there are never more than so many.
func TestStrangers(t *testing.T) {
	w := newWorld(t)
	w.get("/")
	for range 3 * mostStrangers {
		c, err := net.Dial("tcp", w.addr)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
	}
	in := w.cookie()
	for _, transport := range []http.RoundTripper{w.browser.Transport, &http.Transport{DisableKeepAlives: true}} {
		r, err := http.NewRequest("GET", "http://"+w.addr+"/", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.AddCookie(in)
		answer, err := (&http.Client{Transport: transport, Timeout: 8 * time.Second}).Do(r)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		if answer.StatusCode != http.StatusOK {
			t.Errorf("status %d", answer.StatusCode)
		}
	}
	w.server.places.mu.Lock()
	defer w.server.places.mu.Unlock()
	if n := len(w.server.places.strangers); n > mostStrangers {
		t.Errorf("%d connections of strangers", n)
	}
}

// TestConnectionsKept: only connections of those who were let in stay open, and not more than there is room for.
func TestConnectionsKept(t *testing.T) {
	w := newWorld(t)
	in := w.cookie()
	cookie := func(r *http.Request) { r.AddCookie(in) }
	password := func(r *http.Request) { r.SetBasicAuth(User, w.server.Password()) }
	for _, c := range []struct {
		what, path string
		change     func(*http.Request)
		closed     bool
	}{
		{"a stranger", "/", nil, true}, {"a stranger's style", "/style.css", nil, true}, {"a wrong token", "/enter?token=x", nil, true},
		{"folders without a password", "/dav/", nil, true}, {"another host", "/", func(r *http.Request) { cookie(r); r.Host = "evil.example" }, true},
		{"the cookie", "/", cookie, false}, {"its style", "/style.css", cookie, false}, {"folders with the password", "/dav/", password, false},
	} {
		r, err := http.NewRequest("GET", "http://"+w.addr+c.path, nil)
		if err != nil {
			t.Fatal(err)
		}
		if c.change != nil {
			c.change(r)
		}
		answer, err := w.browser.Transport.RoundTrip(r)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		if answer.Close != c.closed {
			t.Errorf("%s: closed: %t", c.what, answer.Close)
		}
	}
}

// TestPlaces: places of those who were let in are bounded, too, and are free again when a connection ends.
func TestPlaces(t *testing.T) {
	p := &places{}
	var all []net.Conn
	kept := func(c net.Conn) bool {
		h := http.Header{"Connection": {"close"}}
		r := &http.Request{}
		p.keep(headerOnly{h}, r.WithContext(p.with(t.Context(), c)))
		return h.Get("Connection") == ""
	}
	for i := range mostKept + 1 {
		c, there := net.Pipe()
		defer there.Close()
		all = append(all, c)
		p.state(c, http.StateNew)
		if got := kept(c); got != (i < mostKept) {
			t.Errorf("connection %d is kept: %t", i, got)
		}
	}
	p.state(all[0], http.StateClosed)
	if !kept(all[mostKept]) {
		t.Error("no place became free")
	}
	if kept(all[0]) {
		t.Error("what ended is kept")
	}
}
