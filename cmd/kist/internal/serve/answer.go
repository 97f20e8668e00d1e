package serve

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"net/http"
	"time"

	"github.com/kistarchive/kist/store"
)

var (
	errNoPage = &statusError{http.StatusNotFound, "There is no such page."}
	errBusy   = &statusError{http.StatusServiceUnavailable, "Too much is looked through at once. Try again."}
)

// statusError is an answer of some status, with a text for people.
type statusError struct {
	status int
	text   string
}

func (e *statusError) Error() string { return e.text }

// answer is what goes out for a request. It knows whether something has gone out.
type answer struct {
	http.ResponseWriter
	started bool
}

// WriteHeader implements http.ResponseWriter.
func (a *answer) WriteHeader(status int) {
	a.started = true
	a.ResponseWriter.WriteHeader(status)
}

// Write implements http.ResponseWriter. Who takes nothing for a while gets nothing more.
func (a *answer) Write(p []byte) (int, error) {
	a.started = true
	_ = http.NewResponseController(a.ResponseWriter).SetWriteDeadline(time.Now().Add(writeTime)) // not where tests record
	return a.ResponseWriter.Write(p)
}

// Unwrap gives what http.ResponseController controls.
func (a *answer) Unwrap() http.ResponseWriter { return a.ResponseWriter }

// handler answers a request. After an error nothing else may go out.
type handler func(*answer, *http.Request) error

// answering has a handler answer, once more where captures were moved meanwhile, and says what went wrong. An answer
// that has begun is broken off, so that no browser takes it for whole.
func (s *Server) answering(h handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a := &answer{ResponseWriter: w}
		err := h(a, r)
		if errors.Is(err, store.ErrMoved) && !a.started {
			s.library.forget()
			err = h(a, r)
		}
		if err == nil {
			return
		}
		if a.started {
			if r.Context().Err() == nil {
				s.failed(err)
			}
			panic(http.ErrAbortHandler)
		}
		s.fail(a, err)
	})
}

// fail answers with a page that says what is wrong.
func (s *Server) fail(w *answer, err error) {
	for _, name := range []string{"Content-Length", "Content-Disposition", "Content-Range", "Accept-Ranges", "Last-Modified", "Etag"} {
		w.Header().Del(name)
	}
	w.Header().Set("Content-Security-Policy", policy)
	f := &frame{Title: "It can't be shown", Body: err.Error()}
	status := statusOf(err)
	switch {
	case errors.Is(err, store.ErrDamaged):
		f.Title = "Damaged"
	case status == http.StatusNotFound:
		f.Title = "Not there"
	}
	if s.show(w, status, "failed", f) != nil {
		panic(http.ErrAbortHandler)
	}
}

func statusOf(err error) int {
	var own *statusError
	switch {
	case errors.As(err, &own):
		return own.status
	case errors.Is(err, store.ErrDamaged):
		return http.StatusInternalServerError
	case errors.Is(err, store.ErrMoved), errors.Is(err, store.ErrClosed), errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return http.StatusServiceUnavailable
	case errors.Is(err, store.ErrNotFound), errors.Is(err, fs.ErrNotExist), errors.Is(err, fs.ErrInvalid):
		return http.StatusNotFound
	}
	return http.StatusInternalServerError
}

// show writes a page. What fails in making it has not gone out.
func (s *Server) show(w *answer, status int, name string, f *frame) error {
	f.Repository = s.o.Title
	f.HasCosts = s.o.Costs != nil
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, name, f); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, err := w.Write(b.Bytes())
	return err
}

// file serves a file of our own.
func (s *Server) file(contentType string, content string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", contentType)
		http.ServeContent(w, r, "", time.Time{}, bytes.NewReader([]byte(content)))
	})
}
