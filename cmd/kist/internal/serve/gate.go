package serve

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"
)

// User is whom file managers say they are.
const User = "kist"

const (
	mostSessions = 32
	sessionTime  = 12 * time.Hour // since it was last used
)

// gate lets people in: whoever has the token once, and whoever has a cookie then. It is all in memory.
type gate struct {
	cookie   string // its name; cookies are the same for all ports of a machine
	secure   bool
	password string
	now      func() time.Time

	mu       sync.Mutex
	token    string
	sessions []session
}

type session struct {
	sum  [sha256.Size]byte // of its secret
	used time.Time
}

func newGate(port uint16, secure bool) *gate {
	g := &gate{cookie: fmt.Sprintf("kist-%d", port), secure: secure, password: rand.Text(), token: newSecret(), now: time.Now}
	if secure {
		g.cookie = "__Host-" + g.cookie // RFC 6265bis, 4.1.3: of this host alone
	}
	return g
}

// newSecret gives some 250 bits.
func newSecret() string { return rand.Text() + rand.Text()[:22] }

// same compares in a time that tells nothing of where they differ.
func same(given, right string) bool {
	a, b := sha256.Sum256([]byte(given)), sha256.Sum256([]byte(right))
	return subtle.ConstantTimeCompare(a[:], b[:]) == 1
}

// invitation gives the token that lets somebody in.
func (g *gate) invitation() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.token
}

// enter takes the token, which is another one from now on, and gives the secret of a new session.
func (g *gate) enter(token string) (secret string, ok bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if !same(token, g.token) {
		return "", false
	}
	g.token, secret = newSecret(), newSecret()
	if len(g.sessions) == mostSessions {
		oldest := slices.MinFunc(g.sessions, func(a, b session) int { return a.used.Compare(b.used) })
		g.sessions = slices.DeleteFunc(g.sessions, func(s session) bool { return s == oldest })
	}
	g.sessions = append(g.sessions, session{sha256.Sum256([]byte(secret)), g.now()})
	return secret, true
}

// knows tells whether a secret is that of a session that was used lately.
func (g *gate) knows(secret string) bool {
	sum := sha256.Sum256([]byte(secret))
	g.mu.Lock()
	defer g.mu.Unlock()
	now := g.now()
	g.sessions = slices.DeleteFunc(g.sessions, func(s session) bool { return now.Sub(s.used) > sessionTime })
	found := 0
	for i := range g.sessions {
		one := subtle.ConstantTimeCompare(sum[:], g.sessions[i].sum[:])
		if found |= one; one == 1 {
			g.sessions[i].used = now
		}
	}
	return found == 1
}

// isIn tells whether a request has the cookie of a session.
func (g *gate) isIn(r *http.Request) bool {
	for _, c := range r.CookiesNamed(g.cookie) {
		if g.knows(c.Value) {
			return true
		}
	}
	return false
}

func (g *gate) setCookie(w http.ResponseWriter, secret string) {
	http.SetCookie(w, &http.Cookie{
		Name: g.cookie, Value: secret, Path: "/", HttpOnly: true, Secure: g.secure, SameSite: http.SameSiteStrictMode,
	})
}

// withPassword lets file managers through, which know no cookies (RFC 7617).
func (s *Server) withPassword(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		user, password, ok := r.BasicAuth()
		if right := same(password, s.gate.password); !ok || !same(user, User) || !right {
			w.Header().Set("WWW-Authenticate", `Basic realm="kist", charset="UTF-8"`)
			http.Error(w, "The user is "+User+", and the password is the one that kist serve printed.", http.StatusUnauthorized)
			return
		}
		s.places.keep(w, r)
		next.ServeHTTP(w, r)
	})
}

// keepingIn keeps the connections of those who were let in for what everybody gets.
func (s *Server) keepingIn(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if s.gate.isIn(r) {
			s.places.keep(w, r)
		}
		next.ServeHTTP(w, r)
	})
}

// withSession lets those through who were let in.
func (s *Server) withSession(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !s.gate.isIn(r) {
			s.refuse(w, http.StatusForbidden, "")
			return
		}
		s.places.keep(w, r)
		next.ServeHTTP(w, r)
	})
}

// enter is where the first address leads, and the form for its token.
func (s *Server) enter(w *answer, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 4<<10)
	token := strings.TrimSpace(r.FormValue("token")) // as it is pasted
	if r.Method == http.MethodHead {                 // of a program that looks where links lead
		return nil
	}
	secret, ok := s.gate.enter(token)
	if !ok {
		s.refuse(w, http.StatusForbidden, "That address was used before, or is not of this run. kist prints a new one whenever one was used.")
		return nil
	}
	s.gate.setCookie(w, secret)
	s.places.keep(w, r)
	s.entered(r.RemoteAddr)
	// A page of our own, since a browser keeps a strict cookie back where a redirection began elsewhere.
	return s.show(w, http.StatusOK, "entered", &frame{Title: "Come in", Onward: "/"})
}

// refuse answers somebody who is not let in, with a form for the token. Browsers send a form with the origin null, which
// could be anybody's, from a page whose policy is no-referrer (Fetch Standard, "append a request Origin header").
func (s *Server) refuse(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Referrer-Policy", "same-origin")
	a := &answer{ResponseWriter: w}
	if err := s.show(a, status, "refused", &frame{Title: "Not this way", Outside: true, Body: text}); err != nil {
		panic(http.ErrAbortHandler)
	}
}

// onlyGet refuses whatever would change something: nothing here can be changed.
func (s *Server) onlyGet(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			s.refuse(w, http.StatusMethodNotAllowed, "Nothing here can be changed.")
			return
		}
		next.ServeHTTP(w, r)
	})
}
