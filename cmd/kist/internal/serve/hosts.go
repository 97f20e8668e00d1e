package serve

import (
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
)

// hosts tells requests that were meant for this server from those that a page of somebody else's had a browser send.
type hosts struct {
	names  []string
	secure bool // it is asked by TLS
}

// only refuses all requests but those for this server, from its own pages or from nobody's.
func (h *hosts) only(next http.Handler, refuse func(w http.ResponseWriter, status int, text string)) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case !h.own(r):
			refuse(w, http.StatusMisdirectedRequest, "This is not the server of that name. Use the address that kist printed.")
		case !h.fromHere(r):
			refuse(w, http.StatusForbidden, "A page of another place asked for this. Use the address that kist printed.")
		default:
			next.ServeHTTP(w, r)
		}
	})
}

// own tells whether a request names this server. A name that somebody else's name server leads here is
// none of its names; an address has no name server. The port is not looked at: a tunnel may have another one.
func (h *hosts) own(r *http.Request) bool {
	u, err := url.Parse("//" + r.Host)
	if err != nil || u.Host != r.Host { // a user before it, too, or a path behind it
		return false
	}
	local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !ok {
		return false
	}
	at, err := netip.ParseAddrPort(local.String())
	if err != nil {
		return false
	}
	name := strings.ToLower(u.Hostname())
	if address, err := netip.ParseAddr(name); err == nil {
		return address.Unmap() == at.Addr().Unmap()
	}
	return name == "localhost" && at.Addr().Unmap().IsLoopback() || slices.Contains(h.names, name)
}

// fromHere tells whether a request comes from a page of this server, or from no page: by what
// browsers say of that (Fetch Standard; W3C, Fetch Metadata Request Headers). The first address may be followed
// from anywhere: it has a token.
func (h *hosts) fromHere(r *http.Request) bool {
	scheme := "http"
	if h.secure {
		scheme = "https"
	}
	if origin := r.Header.Values("Origin"); len(origin) > 1 || len(origin) == 1 && origin[0] != scheme+"://"+r.Host {
		return false
	}
	site := r.Header.Values("Sec-Fetch-Site")
	if len(site) == 0 || len(site) == 1 && (site[0] == "same-origin" || site[0] == "none") {
		return true
	}
	return len(site) == 1 && r.URL.Path == "/enter" && r.Method == http.MethodGet
}
