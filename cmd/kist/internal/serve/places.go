package serve

import (
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"sync"
)

const (
	mostStrangers = 96  // connections by which nobody was let in yet
	mostKept      = 128 // connections that are kept open for those who were
)

// places bounds connections, so that strangers can't take those of people who were let in: where there are too many
// of strangers, the oldest of those ends. Whoever is let in asks at once, and long before that.
type places struct {
	mu        sync.Mutex
	strangers []net.Conn // the oldest first
	kept      map[net.Conn]bool
}

// placeKey is under which a request's context has its connection.
type placeKey struct{}

// with is for http.Server.ConnContext.
func (p *places) with(ctx context.Context, c net.Conn) context.Context {
	return context.WithValue(ctx, placeKey{}, c)
}

// state is for http.Server.ConnState.
func (p *places) state(c net.Conn, state http.ConnState) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch state {
	case http.StateNew:
		p.strangers = append(p.strangers, c)
		if len(p.strangers) > mostStrangers {
			end(p.strangers[0])
			p.strangers = p.strangers[1:]
		}
	case http.StateClosed, http.StateHijacked:
		delete(p.kept, c)
		p.leave(c)
	}
}

func (p *places) leave(c net.Conn) (was bool) {
	for i, s := range p.strangers {
		if s == c {
			p.strangers = append(p.strangers[:i:i], p.strangers[i+1:]...)
			return true
		}
	}
	return false
}

// end ends a connection without a word, which its other side might not take.
func end(c net.Conn) {
	if over, ok := c.(*tls.Conn); ok {
		c = over.NetConn()
	}
	c.Close()
}

// keep keeps the connection of a request that was let in, if there is room.
func (p *places) keep(w http.ResponseWriter, r *http.Request) {
	c, _ := r.Context().Value(placeKey{}).(net.Conn)
	if c == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.kept[c] && (len(p.kept) >= mostKept || !p.leave(c)) {
		return
	}
	if p.kept == nil {
		p.kept = make(map[net.Conn]bool)
	}
	p.kept[c] = true
	w.Header().Del("Connection")
}

// closing has each connection end with its answer, unless it is kept.
func (p *places) closing(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Connection", "close")
		next.ServeHTTP(w, r)
	})
}
