package main

import (
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"sync"
	"time"
)

// traffic is what went to an object store and came from it.
type traffic struct {
	Puts     int64 `json:"puts"`
	Lists    int64 `json:"lists"`
	Gets     int64 `json:"gets"`
	Heads    int64 `json:"heads"`
	Removals int64 `json:"removals"`
	In       int64 `json:"bytes_in"`  // bodies of requests
	Out      int64 `json:"bytes_out"` // bodies of answers
}

// counting is a proxy on this machine that counts. What is measured beside each other goes through it alike.
type counting struct {
	endpoint string
	server   *httptest.Server

	mu  sync.Mutex
	now traffic
}

// startCounting starts one before an endpoint, in which each request waits for latency.
func startCounting(endpoint string, latency time.Duration) (*counting, error) {
	target, err := url.Parse(endpoint)
	if err != nil {
		return nil, err
	}
	c := &counting{}
	proxy := &httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(target)
			r.Out.Host = r.In.Host // which is signed
		},
		Transport: &http.Transport{MaxIdleConnsPerHost: 64, DisableCompression: true},
		ModifyResponse: func(r *http.Response) error {
			r.Body = &counted{r.Body, c}
			return nil
		},
		BufferPool: &buffers{sync.Pool{New: func() any { b := make([]byte, 256<<10); return &b }}},
	}
	c.server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c.count(r)
		time.Sleep(latency)
		proxy.ServeHTTP(w, r)
	}))
	c.endpoint = c.server.URL
	return c, nil
}

func (c *counting) Close() { c.server.Close() }

func (c *counting) count(r *http.Request) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now.In += max(r.ContentLength, 0)
	switch {
	case r.Method == http.MethodPut || r.Method == http.MethodPost:
		c.now.Puts++
	case r.Method == http.MethodHead:
		c.now.Heads++
	case r.Method == http.MethodDelete:
		c.now.Removals++
	case r.URL.Query().Has("list-type") || r.URL.Query().Has("uploads"):
		c.now.Lists++
	default:
		c.now.Gets++
	}
}

// take gives what was counted since it was called before.
func (c *counting) take() traffic {
	c.mu.Lock()
	defer c.mu.Unlock()
	t := c.now
	c.now = traffic{}
	return t
}

type counted struct {
	io.ReadCloser
	c *counting
}

func (b *counted) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p)
	b.c.mu.Lock()
	defer b.c.mu.Unlock()
	b.c.now.Out += int64(n)
	return n, err
}

// buffers are what bodies are copied by.
type buffers struct{ pool sync.Pool }

func (b *buffers) Get() []byte { return *b.pool.Get().(*[]byte) }

func (b *buffers) Put(p []byte) { b.pool.Put(&p) }
