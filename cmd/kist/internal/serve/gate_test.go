package serve

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"
)

// What browsers are told of pages, and of what members hold (W3C, Content Security Policy Level 3: default-src 'none'
// loads and runs nothing, frame-ancestors 'none' has no page of others show it, sandbox without a word allows nothing).
// They stand here once more, so that whoever weakens one has to say so twice.
const (
	shownPolicy = "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
	sentPolicy  = "default-src 'none'; sandbox; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)

// TestWhoIsLetIn holds who gets an answer against requests as others make them.
func TestWhoIsLetIn(t *testing.T) {
	w := newWorld(t)
	in := w.cookie()
	withCookie := func(more func(*http.Request)) func(*http.Request) {
		return func(r *http.Request) {
			r.AddCookie(in)
			if more != nil {
				more(r)
			}
		}
	}
	host := func(h string) func(*http.Request) { return func(r *http.Request) { r.Host = h } }
	header := func(pairs ...string) func(*http.Request) {
		return func(r *http.Request) {
			for i := 0; i < len(pairs); i += 2 {
				r.Header.Add(pairs[i], pairs[i+1])
			}
		}
	}
	_, port, _ := strings.Cut(w.addr, ":")
	for _, c := range []struct {
		what, method, path string
		change             func(*http.Request)
		want               int
	}{
		{"nobody", "GET", "/", nil, 403},
		{"the cookie", "GET", "/", withCookie(nil), 200},
		{"nobody, a download", "GET", w.in("large.bin").Download(), nil, 403},
		{"an empty cookie", "GET", "/", func(r *http.Request) { r.AddCookie(&http.Cookie{Name: in.Name}) }, 403},
		{"another cookie", "GET", "/", func(r *http.Request) { r.AddCookie(&http.Cookie{Name: in.Name, Value: in.Value[1:] + "A"}) }, 403},
		{"a part of the cookie", "GET", "/", func(r *http.Request) { r.AddCookie(&http.Cookie{Name: in.Name, Value: in.Value[:10]}) }, 403},
		{"the cookie under another name", "GET", "/", func(r *http.Request) { r.AddCookie(&http.Cookie{Name: "kist", Value: in.Value}) }, 403},
		{"the token of the next one as a cookie", "GET", "/", func(r *http.Request) { r.AddCookie(&http.Cookie{Name: in.Name, Value: w.server.gate.invitation()}) }, 403},
		{"another one's cookie before it", "GET", "/", func(r *http.Request) { r.AddCookie(&http.Cookie{Name: in.Name, Value: "x"}); r.AddCookie(in) }, 200},
		{"a name that is led here", "GET", "/", withCookie(host("evil.example:" + port)), 421},
		{"one that ends alike", "GET", "/", withCookie(host("localhost.evil.example:" + port)), 421},
		{"one that begins alike", "GET", "/", withCookie(host("127.0.0.1.evil.example")), 421},
		{"another address", "GET", "/", withCookie(host("127.0.0.2:" + port)), 421},
		{"any address", "GET", "/", withCookie(host("0.0.0.0:" + port)), 421},
		{"a user before the name", "GET", "/", withCookie(host("evil.example@127.0.0.1:" + port)), 421},
		{"nothing but a port", "GET", "/", withCookie(host(":" + port)), 421},
		{"localhost", "GET", "/", withCookie(host("localhost:" + port)), 200},
		{"LOCALHOST", "GET", "/", withCookie(host("LOCALHOST:" + port)), 200},
		{"through a tunnel", "GET", "/", withCookie(host("localhost:9000")), 200},
		{"a name that was given", "GET", "/", withCookie(host("hazel.example.org:" + port)), 200},
		{"its style for a name that is led here", "GET", "/style.css", host("evil.example"), 421},
		{"folders for a name that is led here", "PROPFIND", "/dav/", host("evil.example"), 421},
		{"a page of its own", "GET", "/", withCookie(header("Origin", "http://"+w.addr, "Sec-Fetch-Site", "same-origin")), 200},
		{"another page", "GET", "/", withCookie(header("Origin", "http://evil.example")), 403},
		{"another port", "GET", "/", withCookie(header("Origin", "http://127.0.0.1:1")), 403},
		{"another scheme", "GET", "/", withCookie(header("Origin", "https://"+w.addr)), 403},
		{"a page of a file", "GET", "/", withCookie(header("Origin", "null")), 403},
		{"two pages", "GET", "/", withCookie(header("Origin", "http://"+w.addr, "Origin", "http://evil.example")), 403},
		{"a frame of another page", "GET", "/", withCookie(header("Sec-Fetch-Site", "cross-site")), 403},
		{"a page on another port", "GET", "/", withCookie(header("Sec-Fetch-Site", "same-site")), 403},
		{"typed", "GET", "/", withCookie(header("Sec-Fetch-Site", "none")), 200},
		{"a form of another page", "POST", "/enter?token=x", header("Origin", "http://evil.example", "Sec-Fetch-Site", "cross-site"), 403},
		{"what would change something", "POST", "/", withCookie(nil), 405},
		{"what would remove something", "DELETE", w.in("large.bin").Download(), withCookie(nil), 405},
		{"what would put something", "PUT", "/folder", withCookie(nil), 405},
		{"a wrong token", "GET", "/enter?token=x", nil, 403},
		{"no token", "GET", "/enter", nil, 403},
		{"folders without a password", "PROPFIND", "/dav/", nil, 401},
		{"folders with the cookie", "PROPFIND", "/dav/", withCookie(nil), 401},
		{"folders with a wrong password", "PROPFIND", "/dav/", func(r *http.Request) { r.SetBasicAuth(User, "x") }, 401},
		{"folders of another user", "PROPFIND", "/dav/", func(r *http.Request) { r.SetBasicAuth("root", w.server.Password()) }, 401},
		{"pages with the password", "GET", "/", func(r *http.Request) { r.SetBasicAuth(User, w.server.Password()) }, 403},
	} {
		status, h, body := w.do(c.method, c.path, c.change)
		if status != c.want {
			t.Errorf("%s: %d, not %d", c.what, status, c.want)
		}
		if status != 200 && (strings.Contains(body, w.is.ID) || strings.Contains(body, "/mnt/share")) {
			t.Errorf("%s: tells what there is: %s", c.what, body)
		}
		referrer := "no-referrer"
		if status != 200 && strings.Contains(body, `name="token"`) {
			referrer = "same-origin" // for the form
		}
		for name, want := range map[string]string{
			"Content-Security-Policy": shownPolicy, "X-Content-Type-Options": "nosniff", "Referrer-Policy": referrer, "Cache-Control": "no-store",
			"Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin",
		} {
			if got := h.Values(name); !slices.Equal(got, []string{want}) {
				t.Errorf("%s: %s: %q", c.what, name, got)
			}
		}
	}
}

// TestFromHere tells pages of this server from others by what browsers say of them (W3C, Fetch Metadata Request Headers).
func TestFromHere(t *testing.T) {
	for _, c := range []struct {
		method, path string
		sites        []string
		want         bool
	}{
		{"GET", "/", nil, true},
		{"GET", "/", []string{"same-origin"}, true},
		{"GET", "/", []string{"none"}, true},
		{"GET", "/", []string{"cross-site"}, false},
		{"GET", "/", []string{"same-origin", "cross-site"}, false},
		{"GET", "/", []string{"same-origin", "same-origin"}, false},
		{"GET", "/", []string{""}, false},
		{"GET", "/enter?token=x", []string{"cross-site"}, true}, // a link
		{"GET", "/enter?token=x", []string{"none", "cross-site"}, false},
		{"GET", "/enter/x", []string{"cross-site"}, false},
		{"POST", "/enter", []string{"same-origin"}, true},
		{"POST", "/enter", []string{"cross-site"}, false},
		{"POST", "/enter", []string{"same-site"}, false},
		{"HEAD", "/enter", []string{"cross-site"}, false},
	} {
		r := httptest.NewRequest(c.method, c.path, nil)
		r.Header["Sec-Fetch-Site"] = c.sites
		if got := new(hosts).fromHere(r); got != c.want {
			t.Errorf("%s %s from %q: %t", c.method, c.path, c.sites, got)
		}
	}
}

// TestFromHereOverTLS: pages that came encrypted are of another origin than those that did not (RFC 6454, 4).
func TestFromHereOverTLS(t *testing.T) {
	for origin, want := range map[string]bool{"https://example.com": true, "http://example.com": false} {
		r := httptest.NewRequest("POST", "/enter", nil)
		r.Header.Set("Origin", origin)
		if got := (&hosts{secure: true}).fromHere(r); got != want {
			t.Errorf("%s: %t", origin, got)
		}
	}
}

// TestOwnNames: localhost is this machine for who asks at its own address alone.
func TestOwnNames(t *testing.T) {
	h := &hosts{names: []string{"hazel.example.org"}}
	for _, c := range []struct {
		at, host string
		want     bool
	}{
		{"127.0.0.1:8420", "localhost:8420", true}, {"[::1]:8420", "localhost", true}, {"192.0.2.1:8420", "localhost:8420", false},
		{"192.0.2.1:8420", "192.0.2.1:8420", true}, {"192.0.2.1:8420", "192.0.2.2:8420", false}, {"[::ffff:192.0.2.1]:8420", "192.0.2.1", true},
		{"192.0.2.1:8420", "hazel.example.org", true}, {"192.0.2.1:8420", "HAZEL.example.org:1", true}, {"192.0.2.1:8420", "example.org", false},
		{"192.0.2.1:8420", "", false}, {"192.0.2.1:8420", "evil@192.0.2.1:8420", false}, {"192.0.2.1:8420", "@192.0.2.1", false},
		{"192.0.2.1:8420", "192.0.2.1:8420/x", false}, {"192.0.2.1:8420", "192.0.2.1?x", false}, {"192.0.2.1:8420", "192.0.2.1#x", false},
	} {
		r := httptest.NewRequest("GET", "/", nil)
		r.Host = c.host
		at := net.TCPAddrFromAddrPort(netip.MustParseAddrPort(c.at))
		if got := h.own(r.WithContext(context.WithValue(t.Context(), http.LocalAddrContextKey, net.Addr(at)))); got != c.want {
			t.Errorf("%s at %s: %t", c.host, c.at, got)
		}
	}
}

// TestTokenOnce: an address lets one in, the next one another; who only looks where it leads takes nothing.
func TestTokenOnce(t *testing.T) {
	w := newWorld(t) // used the first
	if len(w.entered) != 1 || w.entered[0] != w.server.Address() {
		t.Fatalf("%q was told, and is %q", w.entered, w.server.Address())
	}
	path := "/enter?" + strings.SplitN(w.server.Address(), "?", 2)[1]
	if status, h, _ := w.do("HEAD", path, nil); status != 200 || len(h.Values("Set-Cookie")) > 0 {
		t.Errorf("HEAD: %d, %q", status, h)
	}
	status, h, _ := w.do("GET", path, func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }) // a link in a mail
	cookie := h.Get("Set-Cookie")
	for _, want := range []string{"; HttpOnly", "; SameSite=Strict", "; Path=/"} {
		if !strings.Contains(cookie, want) {
			t.Errorf("%s is not in %q", want, cookie)
		}
	}
	if status != 200 {
		t.Errorf("status %d", status)
	}
	if status, h, _ := w.do("GET", path, nil); status != 403 || len(h.Values("Set-Cookie")) > 0 {
		t.Errorf("again: %d, %q", status, h)
	}
	if len(w.entered) != 2 || w.entered[1] == w.entered[0] {
		t.Errorf("%q", w.entered)
	}
}

// TestSecureCookie: over TLS no other host and no plain request gets it (RFC 6265bis, 4.1.3).
func TestSecureCookie(t *testing.T) {
	g := newGate(8420, true)
	h := make(http.Header)
	g.setCookie(headerOnly{h}, "x")
	if got := h.Get("Set-Cookie"); got != "__Host-kist-8420=x; Path=/; HttpOnly; Secure; SameSite=Strict" {
		t.Errorf("%s", got)
	}
}

type headerOnly struct{ h http.Header }

func (h headerOnly) Header() http.Header       { return h.h }
func (h headerOnly) Write([]byte) (int, error) { return 0, nil }
func (h headerOnly) WriteHeader(int)           {}

// TestSessions: they end when they were not used for long, and the oldest where there are many.
func TestSessions(t *testing.T) {
	g := newGate(1, false)
	now := time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)
	g.now = func() time.Time { return now }
	first, ok := g.enter(g.invitation())
	if !ok || !g.knows(first) {
		t.Fatal("not let in")
	}
	now = now.Add(sessionTime - time.Minute)
	if !g.knows(first) {
		t.Error("ended too early")
	}
	now = now.Add(sessionTime - time.Minute)
	if !g.knows(first) {
		t.Error("ended though it was used")
	}
	now = now.Add(sessionTime + time.Minute)
	if g.knows(first) {
		t.Error("goes on for ever")
	}
	var all []string
	for range mostSessions + 1 {
		now = now.Add(time.Second)
		s, ok := g.enter(g.invitation())
		if !ok {
			t.Fatal("not let in")
		}
		all = append(all, s)
	}
	if g.knows(all[0]) || !g.knows(all[1]) || !g.knows(all[mostSessions]) {
		t.Error("not the oldest one went")
	}
}

// TestPastedToken: a token lets in also with what was pasted around it.
func TestPastedToken(t *testing.T) {
	w := newWorld(t)
	form := url.Values{"token": {" " + w.server.gate.invitation() + "\r\n"}}
	answer, err := http.PostForm("http://"+w.addr+"/enter", form)
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		t.Errorf("%d", answer.StatusCode)
	}
}
