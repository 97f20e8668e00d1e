package objects

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/net/http/httpproxy"
)

// attempt is what is noted of one try of a call, beside what the client library gives.
type attempt struct {
	sign    func() // of life; may be nil
	hushed  bool   // what is sent is none, as that led to nothing before: an answer is
	stalled atomic.Bool
	after   atomic.Int64 // of the header Retry-After, nanoseconds

	progressed atomic.Bool  // the call got further, though it is not done
	empty      atomic.Int32 // pages of a list since the last object
}

type attemptKey struct{}

// attemptOf gives the attempt that a context is of.
func attemptOf(ctx context.Context) *attempt {
	if a, ok := ctx.Value(attemptKey{}).(*attempt); ok {
		return a
	}
	return new(attempt)
}

// page notes a page of a list, and object that something is on it. It fails where pages without any have no end.
func (a *attempt) page() error {
	if a.empty.Add(1) > mostEmpty {
		return fmt.Errorf("%w: %d pages of a list have nothing on them, and more are to follow", errLastingAnswer, mostEmpty)
	}
	return nil
}

func (a *attempt) object() {
	a.progressed.Store(true)
	a.empty.Store(0)
}

func (a *attempt) silent() bool { return a.stalled.Load() }

func (a *attempt) retryAfter() time.Duration { return time.Duration(a.after.Load()) }

// newTransport gives connections that trust ca (PEM; nil: what the system trusts), through the proxy that env names.
func newTransport(ca []byte, env func(string) string) (*http.Transport, error) {
	config := &tls.Config{MinVersion: tls.VersionTLS12}
	if ca != nil {
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(ca) {
			return nil, errors.New("there is no certificate in what is to be trusted (PEM)")
		}
	}
	return &http.Transport{
		Proxy:               proxy(env),
		DialContext:         (&net.Dialer{Timeout: 10 * time.Second, KeepAlive: 15 * time.Second}).DialContext,
		TLSClientConfig:     config, // given, so HTTP/1.1 alone: a connection for each request under way
		TLSHandshakeTimeout: 10 * time.Second,
		MaxIdleConnsPerHost: 2 * readersHint,
		IdleConnTimeout:     time.Minute,
		DisableCompression:  true, // an object's bytes are what was put
		WriteBufferSize:     64 << 10,
		ReadBufferSize:      64 << 10,
	}, nil
}

// proxy gives what HTTPS_PROXY, HTTP_PROXY and NO_PROXY say, or the same in lower case.
func proxy(env func(string) string) func(*http.Request) (*url.URL, error) {
	if env == nil {
		return nil
	}
	choose := (&httpproxy.Config{
		HTTPProxy:  first(env, "HTTP_PROXY", "http_proxy"),
		HTTPSProxy: first(env, "HTTPS_PROXY", "https_proxy"),
		NoProxy:    first(env, "NO_PROXY", "no_proxy"),
	}).ProxyFunc()
	return func(r *http.Request) (*url.URL, error) { return choose(r.URL) }
}

// bounded gives up requests in which nothing moves for a while: no connection, no byte out, no first byte of an answer, or none of
// the rest. It notes in the attempt of the context what the library does not tell.
type bounded struct {
	inner http.RoundTripper
	stall time.Duration
}

// RoundTrip implements [http.RoundTripper].
func (b *bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	a := attemptOf(r.Context())
	ctx, cancel := context.WithCancelCause(r.Context())
	w := &watch{limit: b.stall, cancel: cancel}
	if !a.hushed {
		w.sign = a.sign
	}
	w.timer = time.AfterFunc(b.stall, func() {
		a.stalled.Store(true)
		cancel(ErrSilent)
	})
	r = r.WithContext(ctx)
	if r.Body != nil {
		w.sent = &sending{ReadCloser: r.Body, watch: w}
		r.Body = w.sent
	}
	response, err := b.inner.RoundTrip(r)
	if err != nil {
		w.end()
		return nil, closedEarly(hideURL(err))
	}
	w.answered(a.sign, response.StatusCode)
	w.moved()
	if response.StatusCode >= 400 {
		a.after.Store(int64(retryAfter(response.Header)))
	}
	body := &received{response.Body, w}
	response.Body = body
	if !isContent(r, response) {
		response.Body = &words{ReadCloser: body, left: mostWords}
	}
	if response.StatusCode == http.StatusOK && r.URL.Query().Has("list-type") {
		if response.Body, err = checkList(response.Body, a); err != nil {
			body.Close()
			return nil, err
		}
	}
	return response, nil
}

// isContent tells of an answer that is bytes of an object, of which a caller reads as many as were asked for. The library reads all
// others to their end, into memory or not.
func isContent(r *http.Request, response *http.Response) bool {
	return r.Method == http.MethodGet && r.URL.RawQuery == "" && response.StatusCode < http.StatusMultipleChoices
}

const (
	// mostWords is the longest answer, in bytes, that is no object's content: that of a list has 1,000 keys of 3 KiB, and as much again
	// about each at the most.
	mostWords = 16 << 20

	// mostEmpty is how many pages of a list may follow each other with no object in them: an engine may give some where many versions
	// that were removed lie between (common practice, no source).
	mostEmpty = 10_000
)

// words is the body of an answer that has an end.
type words struct {
	io.ReadCloser
	left int64
}

// Read implements [io.Reader].
func (b *words) Read(p []byte) (int, error) {
	if b.left <= 0 {
		return 0, fmt.Errorf("%w: the answer is longer than %d bytes", errLastingAnswer, mostWords)
	}
	n, err := b.ReadCloser.Read(p[:min(int64(len(p)), b.left)])
	b.left -= int64(n)
	return n, err
}

// checkList refuses an answer that is not a list: the library takes any XML, as a page for people is, for one that is empty. And it
// refuses a page too many.
func checkList(body io.ReadCloser, a *attempt) (io.ReadCloser, error) {
	if err := a.page(); err != nil {
		return nil, err
	}
	buffered := bufio.NewReader(body)
	start, err := buffered.Peek(1 << 10)
	if err != nil && err != io.EOF {
		return nil, err
	}
	if !bytes.Contains(start, []byte("<ListBucketResult")) {
		return nil, fmt.Errorf("%w: it is no list", ErrAnswer)
	}
	return struct {
		io.Reader
		io.Closer
	}{buffered, body}, nil
}

// retryAfter reads the header of that name, where it is a number of seconds (RFC 9110, section 10.2.3); 0: there is none.
func retryAfter(h http.Header) time.Duration {
	n, err := strconv.Atoi(h.Get("Retry-After"))
	if err != nil || n < 0 || n > 3600 {
		return 0
	}
	return time.Duration(n) * time.Second
}

// hideURL gives an error without the address of the request, which says nothing that the operation does not.
func hideURL(err error) error {
	if u, ok := errors.AsType[*url.Error](err); ok {
		return u.Err
	}
	return err
}

// errClosed says what net/http calls an EOF, which the library takes for a reason to put the request's address into words of its own.
var errClosed = errors.New("the connection was closed before there was an answer")

func closedEarly(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return errClosed
	}
	return err
}

// watch ends a request in which nothing moves.
type watch struct {
	limit  time.Duration
	cancel context.CancelCauseFunc
	sign   func()   // of life; nil: there is none to be given
	sent   *sending // nil without a body

	mu    sync.Mutex
	timer *time.Timer // nil once the request is over
}

func (w *watch) moved() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.sign != nil {
		w.sign()
	}
	if w.timer != nil {
		w.timer.Reset(w.limit)
	}
}

// answered lets what moves be a sign of life, but where the store answers that it can't: that is none for who waits for it.
func (w *watch) answered(sign func(), status int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.sign = sign; status >= http.StatusInternalServerError {
		w.sign = nil
	}
}

// end ends the watch, and waits until nobody reads the request's body any more: its memory is used again.
func (w *watch) end() {
	w.mu.Lock()
	if w.timer != nil {
		w.timer.Stop()
		w.timer = nil
	}
	w.mu.Unlock()
	w.cancel(nil)
	if w.sent != nil {
		w.sent.detach()
	}
}

// sending is the body of a request, which net/http may read after it gave up on it.
type sending struct {
	io.ReadCloser
	watch *watch

	mu   sync.Mutex
	over bool
}

// mostAtOnce is how much of a body, in bytes, is read at a time: what moves shows.
const mostAtOnce = 256 << 10

// Read implements [io.Reader].
func (b *sending) Read(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.over {
		return 0, http.ErrBodyReadAfterClose
	}
	b.watch.moved()
	return b.ReadCloser.Read(p[:min(len(p), mostAtOnce)])
}

func (b *sending) detach() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.over = true
}

// received is the body of an answer.
type received struct {
	io.ReadCloser
	watch *watch
}

// Read implements [io.Reader].
func (b *received) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p)
	if n > 0 {
		b.watch.moved()
	}
	if err != nil && err != io.EOF {
		err = fmt.Errorf("the answer breaks off: %w", errBroken{err})
	}
	return n, err
}

// Close implements [io.Closer].
func (b *received) Close() error {
	err := b.ReadCloser.Close()
	b.watch.end()
	return err
}

// errBroken keeps io.ErrUnexpectedEOF, which says of an object that it is short, from standing for an answer that broke off.
type errBroken struct{ err error }

func (e errBroken) Error() string { return e.err.Error() }
