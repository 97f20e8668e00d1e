package objects_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// A store that answers nothing, in any way, is given up, and the error says so; a context that ends ends the call at once.
func TestStalls(t *testing.T) {
	over, once := make(chan struct{}), sync.Once{}
	hang := func(w http.ResponseWriter, r *http.Request) { <-over }
	for name, stall := range map[string]func(http.ResponseWriter, *http.Request){
		"no answer":     func(w http.ResponseWriter, r *http.Request) { io.Copy(io.Discard, r.Body); hang(w, r) },
		"reads nothing": hang,
		"half an answer": func(w http.ResponseWriter, r *http.Request) {
			io.Copy(io.Discard, r.Body)
			w.Header().Set("Content-Length", "5")
			w.Header().Set("Content-Range", "bytes 0-4/5")
			w.Header().Set("Last-Modified", time.Now().UTC().Format(http.TimeFormat))
			if r.Method == http.MethodGet {
				io.WriteString(w, "<L")
				w.(http.Flusher).Flush()
			}
			hang(w, r)
		},
	} {
		f := withOne(t)
		f.Before = func(w http.ResponseWriter, r *http.Request) bool { stall(w, r); return true }
		var wait sync.WaitGroup
		t.Cleanup(func() { once.Do(func() { close(over) }) }) // before the server is closed, which waits
		s := f.open(func(o *objects.Options) { o.Stall, o.Patience = 200*time.Millisecond, time.Nanosecond })
		for call, do := range calls(s) {
			wait.Go(func() {
				if err := do(t.Context()); !errors.Is(err, objects.ErrSilent) {
					t.Errorf("%s, %s: %v, want ErrSilent", name, call, err)
				}
			})
		}
		wait.Go(func() {
			large := bytes.NewReader(make([]byte, 30<<20)) // more than the system's buffers take
			if err := s.Put(t.Context(), "slabs/large", large); !errors.Is(err, objects.ErrSilent) {
				t.Errorf("%s, put of much: %v, want ErrSilent", name, err)
			}
		})
		patient := f.open()
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		for call, do := range calls(patient) {
			wait.Go(func() {
				began := time.Now()
				if err := do(ctx); !errors.Is(err, context.DeadlineExceeded) || time.Since(began) > 3*time.Second {
					t.Errorf("%s, %s: %v after %v, want DeadlineExceeded at once", name, call, err, time.Since(began))
				}
			})
		}
		wait.Wait()
	}
}

// TestPutWithoutETag: who answers that all is well, and names no object, is no object store; what was kept all the same is found.
func TestPutWithoutETag(t *testing.T) {
	for _, keeps := range []bool{false, true} {
		f := newFake(t)
		var answered atomic.Int32
		answer := func(w http.ResponseWriter, r *http.Request) bool {
			is := r.Method == http.MethodPut && (answered.Add(1) == 1 || !keeps)
			if is {
				io.WriteString(w, "<html>Sign in to the seed library's network")
			}
			return is
		}
		if f.Before = answer; keeps {
			f.Before, f.After = nil, answer // the next try is told that it is there
		}
		s := f.open(func(o *objects.Options) { o.Patience = 200 * time.Millisecond })
		err := s.Mark(t.Context(), "leases/mark", []byte("seeds"))
		if keeps && err != nil || !keeps && !errors.Is(err, objects.ErrAnswer) {
			t.Errorf("kept: %v: %v", keeps, err)
		}
	}
}

// pages answers all requests as a web server does, with status 200 and a page for people.
type pages struct{}

func (pages) RoundTrip(r *http.Request) (*http.Response, error) {
	if r.Body != nil {
		io.Copy(io.Discard, r.Body)
		r.Body.Close()
	}
	w := httptest.NewRecorder()
	io.WriteString(w, "<html>The seed library")
	answer := w.Result()
	answer.Request = r
	return answer, nil
}

// TestNoObjectStore: what answers as no object store does is soon told to be none.
func TestNoObjectStore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := objects.OpenOver(objects.Options{
			Address: objects.Address{Bucket: "seeds", Prefix: "hazel/kist", Endpoint: "http://hazel"}, Credentials: keys,
		}, pages{})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		for name, call := range calls(s) {
			began := time.Now()
			err := call(t.Context())
			// That something is removed is believed: nothing is found of it then.
			if name != "remove" && !errors.Is(err, objects.ErrAnswer) || time.Since(began) > 15*time.Second {
				t.Errorf("%s: %v, after %v", name, err, time.Since(began))
			}
		}
	})
}

// Slow is not silent: an answer whose bytes come one by one, for longer than the limit, is read.
func TestSlow(t *testing.T) {
	f := withOne(t)
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		w.Header().Set("Content-Length", "5")
		w.Header().Set("Content-Range", "bytes 0-4/5")
		w.Header().Set("Last-Modified", time.Now().UTC().Format(http.TimeFormat))
		w.WriteHeader(http.StatusPartialContent)
		for _, b := range []byte("seeds") {
			time.Sleep(200 * time.Millisecond) // what is slow has to take its time
			w.Write([]byte{b})
			w.(http.Flusher).Flush()
		}
		return true
	}
	s := f.open(func(o *objects.Options) { o.Stall, o.Patience = 700*time.Millisecond, time.Nanosecond })
	p := make([]byte, 5)
	if err := s.ReadAt(t.Context(), "slabs/there", p, 0); err != nil || string(p) != "seeds" {
		t.Errorf("%q, %v", p, err)
	}
}

// Answers for another range, or of another length, are not taken for the bytes that were asked for.
func TestWrongRange(t *testing.T) {
	for name, answer := range map[string]struct{ span, content string }{
		"another place":  {"bytes 1-5/100", "seeds"},
		"a later start":  {"bytes 3-4/100", "seeds"},
		"a later end":    {"bytes 1-3/4", "eed"},
		"too few":        {"bytes 0-3/100", "seed"},
		"too many":       {"bytes 0-5/100", "seeds!"},
		"beyond the end": {"bytes 0-4/3", "seeds"},
		"below nothing":  {"bytes 0--3/-2", ""},
		"no range":       {"", "seeds"},
		"garbage":        {"seeds", "seeds"},
		"short body":     {"bytes 0-4/100", "see"},
	} {
		f := withOne(t)
		f.Before = func(w http.ResponseWriter, r *http.Request) bool {
			w.Header().Set("Content-Range", answer.span)
			w.Header().Set("Last-Modified", time.Now().UTC().Format(http.TimeFormat))
			w.WriteHeader(http.StatusPartialContent)
			io.WriteString(w, answer.content)
			return true
		}
		s := f.open(func(o *objects.Options) { o.Patience = time.Nanosecond })
		err := s.ReadAt(t.Context(), "slabs/there", make([]byte, 5), 0)
		if !errors.Is(err, objects.ErrAnswer) || errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("%s: %v, want ErrAnswer", name, err)
		}
		if info, err := s.ReadFront(t.Context(), "slabs/there", make([]byte, 5)); !errors.Is(err, objects.ErrAnswer) || errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("%s, from the front: %+v, %v, want ErrAnswer", name, info, err)
		}
	}
}

// That an object is shorter is told at once, as no patience makes it longer.
func TestShortIsToldAtOnce(t *testing.T) {
	f := withOne(t)
	s := f.open(func(o *objects.Options) { o.Patience = time.Hour })
	for _, off := range []int64{1, 5, 99} {
		f.Count("")
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		err := s.ReadAt(ctx, "slabs/there", make([]byte, 5), off)
		cancel()
		if !errors.Is(err, io.ErrUnexpectedEOF) || f.Count("GET") != 1 {
			t.Errorf("from byte %d on: %v", off, err)
		}
	}
}

// A list that fails in its middle goes on behind what is known, and one of other objects is refused.
func TestListFails(t *testing.T) {
	f := newFake(t)
	f.Page = 5
	s := f.open(func(o *objects.Options) { o.Patience = 300 * time.Millisecond }) // anew for each page
	for i := range 30 {
		mark(t, s, fmt.Sprintf("slabs/%02d", i))
	}
	var n atomic.Int32
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		fails := n.Add(1)%2 == 0
		if fails {
			objectstest.Refuse(w, http.StatusServiceUnavailable, "SlowDown")
		}
		return fails
	}
	if infos, err := s.List(t.Context(), ""); err != nil || len(infos) != 30 {
		t.Errorf("%d, %v", len(infos), err)
	}
	for name, keys := range map[string][]string{"out of order": {"hazel/kist/b", "hazel/kist/a"}, "twice": {"hazel/kist/a", "hazel/kist/a"}, "others": {"hazel/other"}} {
		f.Before = func(w http.ResponseWriter, r *http.Request) bool {
			fmt.Fprint(w, "<ListBucketResult>")
			for _, key := range keys {
				fmt.Fprintf(w, "<Contents><Key>%s</Key><LastModified>2026-11-29T00:00:00.000Z</LastModified></Contents>", key)
			}
			fmt.Fprint(w, "</ListBucketResult>")
			return true
		}
		if infos, err := s.List(t.Context(), ""); !errors.Is(err, objects.ErrAnswer) {
			t.Errorf("%s: %v, %v", name, infos, err)
		}
	}
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		io.WriteString(w, "<html>welcome</html>")
		return true
	}
	impatient := f.open(func(o *objects.Options) { o.Patience = time.Nanosecond })
	if infos, err := impatient.List(t.Context(), ""); err == nil {
		t.Errorf("a page for people is taken for a list: %v", infos)
	}
}

// An answer without an end is not read without an end, whatever it is an answer to.
func TestAnswersWithoutEnd(t *testing.T) {
	f := withOne(t)
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		if r.Method == http.MethodHead {
			return false
		}
		w.Header().Set("Last-Modified", time.Now().UTC().Format(http.TimeFormat))
		w.Header().Set("Content-Range", "bytes 0-4/5")
		if r.URL.Query().Has("list-type") {
			io.WriteString(w, "<ListBucketResult>")
		}
		for part := bytes.Repeat([]byte(" "), 1<<20); r.Context().Err() == nil; {
			w.Write(part)
		}
		return true
	}
	s := f.open(func(o *objects.Options) { o.Patience = time.Nanosecond })
	for name, call := range calls(s) {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		err := call(ctx)
		if errors.Is(err, context.DeadlineExceeded) || (name == "list" || name == "sweep") && !errors.Is(err, objects.ErrAnswer) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Nor is a refusal, where the content of an object was asked for.
func TestRefusalWithoutEnd(t *testing.T) {
	f := withOne(t)
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		w.WriteHeader(http.StatusForbidden)
		for part := bytes.Repeat([]byte(" "), 1<<20); r.Context().Err() == nil; {
			w.Write(part)
		}
		return true
	}
	s := f.open(func(o *objects.Options) { o.Patience = time.Nanosecond })
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	if err := s.ReadAt(ctx, "slabs/there", make([]byte, 5), 0); err == nil || ctx.Err() != nil {
		t.Errorf("%v", err)
	}
}

// Whoever stands between and has no key has nothing removed by what it lists as uploads: kist gives up what it asked for, and by an
// id. An engine takes the end of an upload that has none for the removal of the object (seen with Ceph 16.2).
func TestUploadsOfOthers(t *testing.T) {
	for _, said := range []struct{ key, id string }{{"hazel/kist/slabs/there", ""}, {"hazel/other/there", "1"}, {"hazel/kist", "1"}, {"", "1"}} {
		f := withOne(t)
		f.Before = func(w http.ResponseWriter, r *http.Request) bool {
			q := r.URL.Query()
			switch {
			case q.Has("uploads") && r.Method == http.MethodGet:
				fmt.Fprintf(w, "<ListMultipartUploadsResult><Upload><Key>%s</Key><UploadId>%s</UploadId><Initiated>2026-01-01T00:00:00Z</Initiated></Upload></ListMultipartUploadsResult>", said.key, said.id)
			case q.Has("uploads"):
				io.WriteString(w, "<InitiateMultipartUploadResult><UploadId></UploadId></InitiateMultipartUploadResult>")
			case q.Has("uploadId") && r.Method == http.MethodGet:
				io.WriteString(w, "<ListPartsResult></ListPartsResult>")
			case q.Has("uploadId"):
				t.Errorf("%q: %s %s is sent", said, r.Method, r.URL)
			default:
				return false
			}
			return true
		}
		s := f.open()
		if removed, err := s.RemoveAside(t.Context(), 0); !errors.Is(err, objects.ErrAnswer) || len(removed) > 0 {
			t.Errorf("%q: %v, %v", said, removed, err)
		}
		if said.id != "" {
			continue // once is enough of 40 MiB
		}
		if err := s.Put(t.Context(), "slabs/long", bytes.NewReader(make([]byte, objects.MaxWhole+1))); !errors.Is(err, objects.ErrAnswer) {
			t.Errorf("an upload without an id: %v", err)
		}
	}
}
