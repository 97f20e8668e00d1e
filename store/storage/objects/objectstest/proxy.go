package objectstest

import (
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"sync"
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

	server *httptest.Server
	before func(*http.Request)

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
			r.Body = &counted{r.Body, p}
			return nil
		},
		BufferPool: &buffers{sync.Pool{New: func() any { b := make([]byte, 256<<10); return &b }}},
	}
	p.server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p.count(r)
		if p.before != nil {
			p.before(r)
		}
		proxy.ServeHTTP(w, r)
	}))
	p.Endpoint = p.server.URL
	return p, nil
}

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
