package objects_test

import (
	"context"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/storage/files"
	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// Who watches sees a store silent that says nothing, or only that it can't; what moves, and no call under way, is no silence.
func TestWatched(t *testing.T) {
	refuses := func(w http.ResponseWriter, _ *http.Request) bool {
		objectstest.Refuse(w, http.StatusServiceUnavailable, "SlowDown")
		return true
	}
	hangs := func(_ http.ResponseWriter, r *http.Request) bool {
		io.Copy(io.Discard, r.Body)
		<-r.Context().Done()
		return true
	}
	drips := func(w http.ResponseWriter, r *http.Request) bool {
		w.Header().Set("Content-Length", "1000")
		w.Header().Set("Content-Range", "bytes 0-999/1000")
		w.Header().Set("Last-Modified", time.Now().UTC().Format(http.TimeFormat))
		w.Header().Set("ETag", `"x"`)
		w.WriteHeader(http.StatusPartialContent)
		for range 1000 {
			io.WriteString(w, "x")
			w.(http.Flusher).Flush()
			select {
			case <-r.Context().Done():
				return true
			case <-time.After(time.Millisecond):
			}
		}
		return true
	}
	for name, test := range map[string]struct {
		before func(http.ResponseWriter, *http.Request) bool
		silent bool
		cause  string
	}{"refuses": {refuses, true, "it answers 503 SlowDown"}, "hangs": {hangs, true, ""}, "drips": {drips, false, ""}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f := withOne(t)
			var w files.Watch
			s := f.open(func(o *objects.Options) { o.Watch, o.Patience = &w, time.Minute })
			f.Set(func() { f.Before = test.before })
			ctx, cancel := context.WithTimeout(t.Context(), 700*time.Millisecond)
			defer cancel()
			told, cause := false, ""
			w.Run(ctx, 400*time.Millisecond, func(files.Silence) time.Duration { told = true; return time.Hour })
			if told {
				t.Fatal("it is silent before anything is asked")
			}
			ctx, cancel = context.WithTimeout(t.Context(), 900*time.Millisecond)
			defer cancel()
			done := make(chan struct{})
			go func() {
				defer close(done)
				s.ReadAt(ctx, "slabs/there", make([]byte, 1000), 0)
			}()
			w.Run(ctx, 400*time.Millisecond, func(s files.Silence) time.Duration {
				told = told || !s.Over && strings.Contains(s.Call.Op, "request")
				if s.Cause != nil {
					cause = s.Cause.Error()
				}
				return time.Hour
			})
			<-done
			if told != test.silent || cause != test.cause || w.Silent().For > 0 {
				t.Errorf("told: %v, want %v, because %q; and once the call is over: %v", told, test.silent, cause, w.Silent())
			}
		})
	}
}
