package serve

import (
	"net/http"
	"time"
)

const (
	mostAtOnce = 16 // answers
	mostHeavy  = 2  // of those: that look through captures
	waitTime   = 20 * time.Second
)

// work bounds how much is done at once; who comes on top waits for a while.
type work struct{ all, looking chan struct{} }

func newWork() *work {
	return &work{make(chan struct{}, mostAtOnce), make(chan struct{}, mostHeavy)}
}

// take gives whether there is room, and takes it.
func take(r *http.Request, room chan struct{}) bool {
	timer := time.NewTimer(waitTime)
	defer timer.Stop()
	select {
	case room <- struct{}{}:
		return true
	case <-r.Context().Done():
	case <-timer.C:
	}
	return false
}

func (k *work) bounded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !take(r, k.all) {
			w.Header().Set("Retry-After", "10")
			http.Error(w, "Too much is asked for at once. Try again.", http.StatusServiceUnavailable)
			return
		}
		defer func() { <-k.all }()
		next.ServeHTTP(w, r)
	})
}

func (k *work) heavy(h handler) handler {
	return func(w *answer, r *http.Request) error {
		if !take(r, k.looking) {
			w.Header().Set("Retry-After", "10")
			return errBusy
		}
		defer func() { <-k.looking }()
		return h(w, r)
	}
}
