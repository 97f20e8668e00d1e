package objects

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

// What is sent is a sign of life while that may lead to something; an answer always is, but for one that says that it can't be.
func TestSignsOfLife(t *testing.T) {
	for name, test := range map[string]struct {
		hushed bool
		status int // 0: the connection is closed
		signed bool
	}{
		"closed": {false, 0, true}, "closed again": {true, 0, false},
		"done": {true, http.StatusOK, true}, "refused": {true, http.StatusServiceUnavailable, false},
	} {
		t.Run(name, func(t *testing.T) {
			server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				io.Copy(io.Discard, r.Body)
				if test.status == 0 {
					if conn, _, err := http.NewResponseController(w).Hijack(); err == nil {
						conn.Close()
					}
					return
				}
				w.WriteHeader(test.status)
			}))
			defer server.Close()
			signs := 0
			a := attempt{hushed: test.hushed, sign: func() { signs++ }}
			r, err := http.NewRequestWithContext(context.WithValue(t.Context(), attemptKey{}, &a), http.MethodPut, server.URL, bytes.NewReader(make([]byte, 1<<20)))
			if err != nil {
				t.Fatal(err)
			}
			answer, err := (&bounded{http.DefaultTransport, time.Minute}).RoundTrip(r)
			if err == nil {
				answer.Body.Close()
			}
			if (err != nil) != (test.status == 0) || signs > 0 != test.signed {
				t.Errorf("%v, %d signs", err, signs)
			}
			if err != nil && strings.Contains(err.Error(), server.URL) {
				t.Errorf("%v names the address", err)
			}
		})
	}
}

// A call that failed twice is hushed, and anew where a try got further and failed.
func TestTriesAreHushed(t *testing.T) {
	s := &Storage{patience: time.Minute}
	var hushed []bool
	s.again(t.Context(), func(ctx context.Context) error {
		a := attemptOf(ctx)
		hushed = append(hushed, a.hushed)
		if len(hushed) == 4 {
			a.progressed.Store(true)
		}
		if len(hushed) == 6 {
			return nil
		}
		return errClosed
	})
	for i, want := range []bool{false, false, true, true, false, true} {
		if hushed[i] != want {
			t.Errorf("try %d: %v", i, hushed)
		}
	}
}
