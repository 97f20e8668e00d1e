package objects_test

import (
	"bytes"
	"context"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io"
	"io/fs"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// calls are the methods of a storage, on an object that is there; put and mark create another one.
func calls(s storage.Storage) map[string]func(context.Context) error {
	return map[string]func(context.Context) error{
		"put":    func(ctx context.Context) error { return s.Put(ctx, "slabs/put", strings.NewReader("seeds")) },
		"mark":   func(ctx context.Context) error { return s.Mark(ctx, "leases/mark", []byte("seeds")) },
		"read":   func(ctx context.Context) error { return s.ReadAt(ctx, "slabs/there", make([]byte, 5), 0) },
		"stat":   func(ctx context.Context) error { _, err := s.Stat(ctx, "slabs/there"); return err },
		"list":   func(ctx context.Context) error { _, err := s.List(ctx, "slabs"); return err },
		"remove": func(ctx context.Context) error { return s.Remove(ctx, "slabs/there") },
		"time":   func(ctx context.Context) error { _, err := s.(storage.Clock).Now(ctx); return err },
		"sweep":  func(ctx context.Context) error { _, err := s.(storage.Sweeper).RemoveAside(ctx, 0); return err },
	}
}

// withOne gives a fake with the object slabs/there.
func withOne(t *testing.T) *fake {
	f := newFake(t)
	f.Objects["hazel/kist/slabs/there"] = objectstest.Stored{Content: []byte("seeds"), Modified: time.Now()}
	return f
}

// What an object store refuses for good is told at once, by kind, and names what was under way; no secret is in it.
func TestRefusals(t *testing.T) {
	for _, test := range []struct {
		status int
		code   string
		want   error
	}{
		{403, "AccessDenied", objects.ErrDenied},
		{403, "AccessDenied", fs.ErrPermission},
		{404, "NoSuchBucket", objects.ErrNoBucket},
		{404, "NoSuchBucket", storage.ErrGone},
		{403, "InvalidAccessKeyId", objects.ErrKey},
		{403, "SignatureDoesNotMatch", objects.ErrKey},
		{400, "ExpiredToken", objects.ErrExpired},
		{403, "RequestTimeTooSkewed", objects.ErrSkewed},
		{400, "AuthorizationHeaderMalformed", objects.ErrRegion},
		{301, "PermanentRedirect", objects.ErrRegion},
		{403, "QuotaExceeded", objects.ErrFull},
		{403, "QuotaExceeded", syscall.EDQUOT},
		{507, "Whatever", objects.ErrFull},
	} {
		f := withOne(t)
		s := f.open(func(o *objects.Options) { o.Patience = time.Hour })
		f.Before = func(w http.ResponseWriter, r *http.Request) bool {
			if r.Method == http.MethodHead && test.code == "NoSuchBucket" {
				w.WriteHeader(test.status) // no words
				return true
			}
			w.Header().Set("X-Amz-Bucket-Region", "elsewhere")
			if r.Method == http.MethodHead {
				w.Header().Set("X-Minio-Error-Code", test.code) // for a HEAD has no body
			}
			objectstest.Refuse(w, test.status, test.code)
			return true
		}
		for name, call := range calls(s) {
			err := call(t.Context())
			if !errors.Is(err, test.want) {
				t.Errorf("%s, %s: got %v, want %v", name, test.code, err, test.want)
				continue
			}
			if e, ok := errors.AsType[*storage.Error](err); !ok || e.Folder != "s3://seeds/hazel/kist" || strings.Contains(err.Error(), keys.SecretKey) {
				t.Errorf("%s, %s: %v", name, test.code, err)
			}
			if test.want == objects.ErrRegion && !strings.Contains(err.Error(), "elsewhere") {
				t.Errorf("%s: the error does not say which region: %v", name, err)
			}
		}
	}
}

// An answer without words, or with a page for people, is told by its status, once.
func TestRefusalsWithoutWords(t *testing.T) {
	for _, test := range []struct {
		status int
		page   string
		want   string
	}{
		{http.StatusTemporaryRedirect, "", "refuses this: 307 Temporary Redirect"},
		{http.StatusNotImplemented, "<!DOCTYPE html><title>Seeds</title>", "refuses this: 501 Not Implemented"},
		{http.StatusMethodNotAllowed, "no seeds here", "refuses this: 405 Method Not Allowed: no seeds here"},
	} {
		f := withOne(t)
		s := f.open()
		f.Before = func(w http.ResponseWriter, r *http.Request) bool {
			w.WriteHeader(test.status)
			io.WriteString(w, test.page)
			return true
		}
		if err := s.ReadAt(t.Context(), "slabs/there", make([]byte, 5), 0); err == nil || !strings.HasSuffix(err.Error(), test.want) {
			t.Errorf("%v, want %q at its end", err, test.want)
		}
	}
}

// A HEAD has no words: an absent bucket is told from an absent object all the same.
func TestBucketIsGone(t *testing.T) {
	f := newFake(t)
	s := f.open(func(o *objects.Options) { o.Address.Bucket = "beans" })
	for name, call := range calls(s) {
		if err := call(t.Context()); !errors.Is(err, storage.ErrGone) || errors.Is(err, storage.ErrNotFound) {
			t.Errorf("%s: %v, want ErrGone", name, err)
		}
	}
}

// What may pass is done again: answers, broken connections, and bodies that break off.
func TestPasses(t *testing.T) {
	answer := func(status int, code string) func(http.ResponseWriter, *http.Request) {
		return func(w http.ResponseWriter, _ *http.Request) { objectstest.Refuse(w, status, code) }
	}
	for name, fault := range map[string]func(http.ResponseWriter, *http.Request){
		"503": answer(503, "SlowDown"),
		"500": answer(500, "InternalError"),
		"502": func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(502)
			io.WriteString(w, "<html>bad gateway")
		},
		"429":        answer(429, "TooManyRequests"),
		"timeout":    answer(400, "RequestTimeout"),
		"conflict":   answer(409, "ConditionalRequestConflict"),
		"bad sum":    answer(400, "XAmzContentSHA256Mismatch"),
		"bad digest": answer(400, "BadDigest"),
		"reset":      func(w http.ResponseWriter, _ *http.Request) { breakOff(w, true) },
		"closed":     func(w http.ResponseWriter, _ *http.Request) { breakOff(w, false) },
		"truncated": func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Length", "1000")
			w.Header().Set("Content-Range", "bytes 0-4/5")
			w.Header().Set("Last-Modified", time.Now().UTC().Format(http.TimeFormat))
			if r.Method == http.MethodPut || r.Method == http.MethodDelete || r.Method == http.MethodHead {
				breakOff(w, false)
				return
			}
			io.WriteString(w, "<Lis")
			w.(http.Flusher).Flush()
			breakOff(w, false)
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			testPasses(t, fault)
		})
	}
}

func testPasses(t *testing.T, fault func(http.ResponseWriter, *http.Request)) {
	var wait sync.WaitGroup
	defer wait.Wait()
	for call := range calls(nil) {
		f := withOne(t)
		var faults atomic.Int32
		f.Before = func(w http.ResponseWriter, r *http.Request) bool {
			if faults.Add(1) > 2 {
				return false
			}
			fault(w, r)
			return true
		}
		do := calls(f.open())[call]
		wait.Go(func() {
			if err := do(t.Context()); err != nil || faults.Load() < 3 {
				t.Errorf("%s: %v, after %d requests", call, err, faults.Load())
			}
		})
	}
}

// breakOff ends a connection, by a reset or not.
func breakOff(w http.ResponseWriter, reset bool) {
	conn, _, err := http.NewResponseController(w).Hijack()
	if err != nil {
		return
	}
	if tcp, ok := conn.(*net.TCPConn); ok && reset {
		tcp.SetLinger(0)
	}
	conn.Close()
}

// Retry-After is heeded, and what never passes ends with the patience.
func TestBusyForLong(t *testing.T) {
	f := withOne(t)
	var times []time.Time
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		f.Set(func() { times = append(times, time.Now()) })
		if len(times) == 1 {
			w.Header().Set("Retry-After", "1")
		}
		objectstest.Refuse(w, http.StatusServiceUnavailable, "SlowDown")
		return true
	}
	s := f.open(func(o *objects.Options) { o.Patience = 4 * time.Second })
	err := s.ReadAt(t.Context(), "slabs/there", make([]byte, 5), 0)
	if !errors.Is(err, objects.ErrBusy) || !strings.Contains(err.Error(), "503 SlowDown") {
		t.Errorf("%v, want ErrBusy", err)
	}
	if len(times) < 3 || len(times) > 200 || times[1].Sub(times[0]) < time.Second {
		t.Errorf("%d requests; the second after %v", len(times), times[1].Sub(times[0]))
	}
}

// A store that asks for an hour is asked again within the patience all the same, so that the call ends.
func TestRetryAfterAnHour(t *testing.T) {
	f := withOne(t)
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		w.Header().Set("Retry-After", "3600")
		objectstest.Refuse(w, http.StatusServiceUnavailable, "SlowDown")
		return true
	}
	s := f.open(func(o *objects.Options) { o.Patience = 200 * time.Millisecond })
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	if err := s.ReadAt(ctx, "slabs/there", make([]byte, 5), 0); !errors.Is(err, objects.ErrBusy) {
		t.Errorf("%v, want ErrBusy", err)
	}
}

// Where what is between keeps no headers of objects, a writer whose answer is lost finds its own by what it holds.
func TestAnswerIsLostWithoutToken(t *testing.T) {
	long := bytes.Repeat([]byte("seeds"), 300_000)
	for name, test := range map[string]struct {
		ours, there []byte
		want        error
	}{
		"ours":             {ours: long},
		"one byte":         {ours: []byte("o")},
		"another":          {ours: long, there: append(bytes.Clone(long[1:]), 's'), want: storage.ErrExists},
		"another's end":    {ours: long, there: append(bytes.Clone(long[:len(long)-1]), 'x'), want: storage.ErrExists},
		"another's length": {ours: long, there: long[:len(long)-1], want: storage.ErrExists},
	} {
		f := newFake(t)
		s := f.open(func(o *objects.Options) { o.Patience = time.Minute })
		lost := false
		f.Before = func(w http.ResponseWriter, r *http.Request) bool {
			r.Header.Del("X-Amz-Meta-Kist-Token")
			return false
		}
		f.After = func(w http.ResponseWriter, r *http.Request) bool {
			if r.Method != http.MethodPut || lost {
				return false
			}
			lost = true
			if test.there != nil {
				f.Set(func() {
					f.Objects["hazel/kist/slabs/a"] = objectstest.Stored{Content: test.there, Modified: time.Now()}
				})
			}
			breakOff(w, true)
			return true
		}
		if err := s.Put(t.Context(), "slabs/a", bytes.NewReader(test.ours)); !errors.Is(err, test.want) || !lost {
			t.Errorf("%s: %v, want %v (an answer was lost: %v)", name, err, test.want, lost)
		}
	}
}

// A writer whose answer is lost finds its own object, and another one's is not its own.
func TestAnswerIsLost(t *testing.T) {
	for _, call := range []string{"put", "mark", "parts"} {
		if call == "parts" && testing.Short() {
			continue // 40 MiB
		}
		f := newFake(t)
		s := f.open(func(o *objects.Options) { o.Patience = time.Minute }) // a busy machine takes seconds to send 40 MiB
		do := map[string]func() error{
			"put":  func() error { return s.Put(t.Context(), "captures/a", strings.NewReader("ours")) },
			"mark": func() error { return s.Mark(t.Context(), "captures/a", []byte("ours")) },
			"parts": func() error {
				return s.Put(t.Context(), "captures/a", bytes.NewReader(make([]byte, objects.MaxWhole+1)))
			},
		}[call]
		lost := false
		f.After = func(w http.ResponseWriter, r *http.Request) bool {
			final := r.Method == http.MethodPut && call != "parts" || r.Method == http.MethodPost && r.URL.Query().Has("uploadId")
			if !final || lost {
				return false
			}
			lost = true
			breakOff(w, true)
			return true
		}
		if err := do(); err != nil || !lost {
			t.Errorf("%s: our own object is taken for another's: %v (an answer was lost: %v)", call, err, lost)
		}
		f.After = nil
		if err := do(); !errors.Is(err, storage.ErrExists) {
			t.Errorf("%s again: %v, want ErrExists", call, err)
		}
		if call == "parts" {
			continue // the name is looked for first
		}
		f.Objects = map[string]objectstest.Stored{}
		f.Before = func(w http.ResponseWriter, r *http.Request) bool { // another one is first, while our try gets no answer
			if r.Method != http.MethodPut || len(f.Objects) > 0 {
				return false
			}
			f.Set(func() {
				f.Objects["hazel/kist/captures/a"] = objectstest.Stored{Content: []byte("theirs"), Token: "another", Modified: time.Now()}
			})
			breakOff(w, true)
			return true
		}
		if err := do(); !errors.Is(err, storage.ErrExists) || string(f.Objects["hazel/kist/captures/a"].Content) != "theirs" {
			t.Errorf("%s beside another one: %v, want ErrExists", call, err)
		}
	}
}

// An upload in parts that fails leaves nothing, and no object.
func TestPartsFail(t *testing.T) {
	if testing.Short() {
		t.Skip("80 MiB")
	}
	f := newFake(t)
	s := f.open()
	broken := errors.New("the source is broken")
	content := io.MultiReader(bytes.NewReader(make([]byte, objects.MaxWhole+100)), failing{broken})
	if err := s.Put(t.Context(), "slabs/a", content); !errors.Is(err, broken) {
		t.Errorf("%v, want the content's error", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	content = io.MultiReader(bytes.NewReader(make([]byte, objects.MaxWhole)), endless(cancel))
	if err := s.Put(ctx, "slabs/b", content); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want context.Canceled", err)
	}
	if len(f.Objects) > 0 || len(f.Uploads) > 0 {
		t.Errorf("left: %d objects, %d uploads", len(f.Objects), len(f.Uploads))
	}
}

// Another one's object that comes while parts are sent stays, and is not taken for the own, also where the upload is gone by then.
func TestPartsBesideAnother(t *testing.T) {
	if testing.Short() {
		t.Skip("80 MiB")
	}
	for name, aborted := range map[string]bool{"the name is taken": false, "and the upload is gone": true} {
		f := newFake(t)
		s := f.open()
		f.Before = func(_ http.ResponseWriter, r *http.Request) bool {
			if r.Method == http.MethodPost && r.URL.Query().Has("uploadId") {
				f.Set(func() {
					f.Objects["hazel/kist/slabs/a"] = objectstest.Stored{Content: []byte("theirs"), Token: "another", Modified: time.Now()}
					if aborted {
						clear(f.Uploads)
					}
				})
			}
			return false
		}
		err := s.Put(t.Context(), "slabs/a", bytes.NewReader(make([]byte, objects.MaxWhole+1)))
		if err == nil || !aborted && !errors.Is(err, storage.ErrExists) {
			t.Errorf("%s: %v", name, err)
		}
		if got := f.Objects["hazel/kist/slabs/a"].Content; string(got) != "theirs" || len(f.Uploads) > 0 {
			t.Errorf("%s: there are %d bytes, and %d uploads are left", name, len(got), len(f.Uploads))
		}
	}
}

// Whose an object is whose name is taken can't be known where the store does not tell: it is neither the own nor another one's.
func TestWhoseItIsIsNotTold(t *testing.T) {
	f := newFake(t)
	s := f.open(func(o *objects.Options) { o.Patience = time.Minute })
	f.After = func(w http.ResponseWriter, r *http.Request) bool {
		lost := r.Method == http.MethodPut
		if lost {
			f.Set(func() { f.After = nil })
			breakOff(w, true)
		}
		return lost
	}
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		denied := r.Method != http.MethodPut
		if denied {
			objectstest.Refuse(w, http.StatusForbidden, "AccessDenied")
		}
		return denied
	}
	if err := s.Mark(t.Context(), "leases/a", nil); !errors.Is(err, objects.ErrDenied) || errors.Is(err, storage.ErrExists) {
		t.Errorf("%v, want ErrDenied", err)
	}
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error) { return 0, f.err }

type endless func()

func (e endless) Read(p []byte) (int, error) { e(); return len(p), nil }

// Conditions that an engine refuses are told as that.
func TestConditionRefused(t *testing.T) {
	f := newFake(t)
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		if r.Header.Get("If-None-Match") != "" {
			objectstest.Refuse(w, http.StatusNotImplemented, "NotImplemented")
			return true
		}
		return false
	}
	s := f.open()
	if err := s.Mark(t.Context(), "leases/a", nil); !errors.Is(err, objects.ErrCondition) {
		t.Errorf("%v, want ErrCondition", err)
	}
	if _, err := s.Probe(t.Context()); !errors.Is(err, objects.ErrCondition) {
		t.Errorf("probe: %v, want ErrCondition", err)
	}
}

// That a second write of a name fails for whatever reason is no proof that the condition held.
func TestProbeIsRefused(t *testing.T) {
	f := newFake(t)
	puts := 0
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		if r.Method != http.MethodPut {
			return false
		}
		if puts++; puts == 2 {
			objectstest.Refuse(w, http.StatusBadRequest, "InvalidRequest")
		}
		return puts == 2
	}
	if got, err := f.open().Probe(t.Context()); err == nil || got.Conditional == objects.Yes {
		t.Errorf("%+v, %v", got, err)
	}
}

// A key that may not remove is found out, and what it can't ask for is unknown.
func TestProbeWithFewRights(t *testing.T) {
	f := newFake(t)
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		denied := r.Method == http.MethodDelete || r.URL.Query().Has("versioning") || r.URL.Query().Has("object-lock")
		if denied {
			objectstest.Refuse(w, http.StatusForbidden, "AccessDenied")
		}
		return denied
	}
	got, err := f.open().Probe(t.Context())
	if want := (objects.Properties{Conditional: objects.Yes, Late: objects.No, Removes: objects.No}); err != nil || got != want {
		t.Errorf("%+v, %v; want %+v", got, err, want)
	}
	if _, err := f.open().Now(t.Context()); err != nil {
		t.Errorf("the time: %v", err)
	}
}

// TestDropWithoutTheRight: what is absent is gone for a key that may not remove, too; what is there stays, and that is told.
func TestDropWithoutTheRight(t *testing.T) {
	f := newFake(t)
	f.Before = func(w http.ResponseWriter, r *http.Request) bool {
		denied := r.Method == http.MethodDelete
		if denied {
			objectstest.Refuse(w, http.StatusForbidden, "AccessDenied")
		}
		return denied
	}
	s := f.open()
	put(t, s, "leases/a", "here")
	if err := s.Drop(t.Context(), "leases/a"); !errors.Is(err, objects.ErrDenied) {
		t.Errorf("%v, want ErrDenied", err)
	}
	if err := s.Drop(t.Context(), "leases/b"); err != nil {
		t.Errorf("of what is absent: %v", err)
	}
}

// Only a certificate that is trusted will do, and no patience mends another.
func TestCertificates(t *testing.T) {
	f := newFake(t)
	f.Server = httptest.NewUnstartedServer(f)
	f.Server.Config.ErrorLog = log.New(io.Discard, "", 0)
	f.Server.StartTLS()
	t.Cleanup(f.Server.Close)
	ca := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: f.Server.Certificate().Raw})
	put(t, f.open(func(o *objects.Options) { o.CA = ca }), "kist.json", "{}")
	s := f.open(func(o *objects.Options) { o.Patience = time.Hour })
	if err := s.Mark(t.Context(), "leases/a", nil); err == nil || !isUnknownAuthority(err) {
		t.Errorf("a certificate that nobody trusts: %v", err)
	}
	plain := newFake(t)
	s = f.open(func(o *objects.Options) {
		o.Address.Endpoint, o.Patience = strings.Replace(plain.Server.URL, "http:", "https:", 1), time.Hour
	})
	if err := s.Mark(t.Context(), "leases/a", nil); !errors.Is(err, objects.ErrNoTLS) {
		t.Errorf("a server without TLS: %v", err)
	}
	s = f.open(func(o *objects.Options) { o.Address.Endpoint, o.Patience = "https://"+bannered(t), time.Hour })
	if err := s.Mark(t.Context(), "leases/a", nil); !errors.Is(err, objects.ErrNoTLS) {
		t.Errorf("a server of something else: %v", err)
	}
	options := f.options()
	options.CA = []byte("no certificate")
	if _, err := objects.Open(t.Context(), options); !errors.Is(err, objects.ErrOptions) || strings.Contains(err.Error(), "\n") {
		t.Errorf("no certificate: %v", err)
	}
}

// bannered gives the address of a server that greets who comes in the clear, as one for mail does (RFC 5321, section 3.1).
func bannered(t *testing.T) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			io.WriteString(c, "220 hazel.example.org ready\r\n")
			io.Copy(io.Discard, io.LimitReader(c, 1))
			c.Close()
		}
	}()
	return l.Addr().String()
}

func isUnknownAuthority(err error) bool {
	_, ok := errors.AsType[x509.UnknownAuthorityError](err)
	return ok
}

// A proxy is asked where the environment names one, but not for what is this machine (httpproxy, of golang.org/x/net).
func TestProxy(t *testing.T) {
	f := newFake(t)
	s := f.open(func(o *objects.Options) {
		o.Address.Endpoint = "http://store.invalid"
		o.Env = environment("HTTP_PROXY=" + f.Server.URL)
	})
	put(t, s, "kist.json", "{}")
	s = f.open(func(o *objects.Options) {
		o.Env, o.Address.Endpoint = environment("NO_PROXY=store.invalid HTTP_PROXY="+f.Server.URL), "http://store.invalid"
	})
	if err := s.Mark(t.Context(), "leases/a", nil); err == nil {
		t.Error("the proxy was asked for what NO_PROXY names")
	}
}

func TestOptions(t *testing.T) {
	f := newFake(t)
	for name, change := range map[string]func(*objects.Options){
		"no credentials": func(o *objects.Options) { o.Credentials = nil },
		"held":           func(o *objects.Options) { o.Held = objects.MaxWhole - 1 },
		"stall":          func(o *objects.Options) { o.Stall = -1 },
		"patience":       func(o *objects.Options) { o.Patience = -1 },
		"bucket":         func(o *objects.Options) { o.Address.Bucket = "" },
		"no region":      func(o *objects.Options) { o.Address.Endpoint = "" },
	} {
		options := f.options()
		change(&options)
		if _, err := objects.Open(t.Context(), options); !errors.Is(err, objects.ErrOptions) && !errors.Is(err, objects.ErrBadAddress) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
