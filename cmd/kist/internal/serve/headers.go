package serve

import "net/http"

// policy is the Content-Security-Policy of pages (W3C, Content Security Policy Level 3). There is no script and no
// style in any of them.
const policy = "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// dataPolicy is that of what members hold: a browser that shows it all the same runs and loads nothing.
const dataPolicy = "default-src 'none'; sandbox; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// withHeaders sets what every answer says, whatever it is.
func withHeaders(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer") // addresses have names of members in them
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		next.ServeHTTP(w, r)
	})
}

// asData marks an answer as what a member holds.
func asData(h http.Header, contentType string) {
	h.Set("Content-Security-Policy", dataPolicy)
	h.Set("Content-Type", contentType)
}
