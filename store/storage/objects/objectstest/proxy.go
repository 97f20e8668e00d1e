package objectstest

import (
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"sync"
	"time"
)

// Traffic is what went to an object store and came from it.
type Traffic struct {
	Puts     int64 `json:"puts"`
	Lists    int64 `json:"lists"`
	Gets     int64 `json:"gets"`
	Heads    int64 `json:"heads"`
	Removals int64 `json:"removals"`
	In       int64 `json:"bytes_in"`  // bodies of requests
	Out      int64 `json:"bytes_out"` // bodies of answers
}

// Proxy is a proxy on this machine, before an object store, that counts. Its methods may be called at the same time.
type Proxy struct {
	Endpoint string // http://127.0.0.1:PORT

	server  *httptest.Server
	before  func(*http.Request)
	in, out *pace // nil: as fast as it goes

	mu  sync.Mutex
	now Traffic
}

// StartProxy starts one before an endpoint. before, if it is not nil, is called with each request before it is passed on, by several
// goroutines. The caller calls Close.
func StartProxy(endpoint string, before func(*http.Request)) (*Proxy, error) {
	target, err := url.Parse(endpoint)
	if err != nil {
		return nil, err
	}
	p := &Proxy{before: before}
	proxy := &httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(target)
			r.Out.Host = r.In.Host // which is signed
		},
		Transport: &http.Transport{MaxIdleConnsPerHost: 64, DisableCompression: true},
		ModifyResponse: func(r *http.Response) error {
			r.Body = p.out.hold(&counted{r.Body, p})
			return nil
		},
		BufferPool: &buffers{sync.Pool{New: func() any { b := make([]byte, 256<<10); return &b }}},
	}
	p.server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p.count(r)
		if p.before != nil {
			p.before(r)
		}
		r.Body = p.in.hold(r.Body)
		proxy.ServeHTTP(w, r)
	}))
	p.Endpoint = p.server.URL
	return p, nil
}

// HoldTo has no more than so many bytes a second pass each way, of all bodies together. It is called before any request.
func (p *Proxy) HoldTo(rate int64) { p.in, p.out = &pace{rate: rate}, &pace{rate: rate} }

// Close waits for requests that are under way.
func (p *Proxy) Close() { p.server.Close() }

func (p *Proxy) count(r *http.Request) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.now.In += max(r.ContentLength, 0)
	switch {
	case r.Method == http.MethodPut || r.Method == http.MethodPost:
		p.now.Puts++
	case r.Method == http.MethodHead:
		p.now.Heads++
	case r.Method == http.MethodDelete:
		p.now.Removals++
	case r.URL.Query().Has("list-type") || r.URL.Query().Has("uploads"):
		p.now.Lists++
	default:
		p.now.Gets++
	}
}

// Take gives what was counted since it was called before.
func (p *Proxy) Take() Traffic {
	p.mu.Lock()
	defer p.mu.Unlock()
	t := p.now
	p.now = Traffic{}
	return t
}

type counted struct {
	io.ReadCloser
	p *Proxy
}

func (b *counted) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p)
	b.p.mu.Lock()
	defer b.p.mu.Unlock()
	b.p.now.Out += int64(n)
	return n, err
}

// buffers are what bodies are copied by.
type buffers struct{ pool sync.Pool }

func (b *buffers) Get() []byte { return *b.pool.Get().(*[]byte) }

func (b *buffers) Put(p []byte) { b.pool.Put(&p) }

// pace is the one of a line that passes rate bytes a second, whoever sends them.
type pace struct {
	rate int64
	mu   sync.Mutex
	free time.Time // when what was sent so far has passed
}

func (l *pace) hold(body io.ReadCloser) io.ReadCloser {
	if l == nil {
		return body
	}
	return &paced{body, l}
}

// pass waits until so many more bytes have passed.
func (l *pace) pass(n int) {
	l.mu.Lock()
	if now := time.Now(); l.free.Before(now) {
		l.free = now
	}
	l.free = l.free.Add(time.Duration(n) * time.Second / time.Duration(l.rate))
	until := l.free
	l.mu.Unlock()
	time.Sleep(time.Until(until))
}

// packet is how much of a body passes at once, in bytes.
const packet = 32 << 10

type paced struct {
	io.ReadCloser
	line *pace
}

func (b *paced) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p[:min(len(p), packet)])
	b.line.pass(n)
	return n, err
}
