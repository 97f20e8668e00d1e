package serve

import (
	"archive/tar"
	"bytes"
	"context"
	"fmt"
	"image"
	"image/png"
	"io"
	"maps"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/page"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// hostile is what names may hold that would be markup, or steer a page, if they were not shown as text.
const hostile = `<script>document.title="run"</script>"'&amp;` + "\u202e\x1b[31m"

// harmed is a storage that gives other bytes of slabs than were put, from an offset on.
type harmed struct {
	storage.Storage
	from atomic.Int64 // 0: it is whole
}

// ReadAt implements storage.Storage.
func (h *harmed) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	err := h.Storage.ReadAt(ctx, name, p, off)
	if at := h.from.Load(); at > 0 && strings.HasPrefix(name, "slabs/") && at >= off && at < off+int64(len(p)) {
		p[at-off] ^= 1
	}
	return err
}

// world is a server of a repository with two captures.
type world struct {
	t        *testing.T
	disk     *harmed
	r        *store.Repository
	server   *Server
	was, is  *store.Capture
	contents map[string]string // of the last capture
	stream   []byte            // of the last capture
	addr     string
	browser  *http.Client // that came in

	mu      sync.Mutex
	entered []string // addresses
	failed  []error
}

func noise(seed uint64, n int) string {
	b := make([]byte, n)
	random := rand.New(rand.NewPCG(seed, 314))
	for i := range b {
		b[i] = byte(random.Uint32())
	}
	return string(b)
}

func pngOf() string {
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 30, 20))); err != nil {
		panic(err)
	}
	return b.String()
}

// seedbank is what a capture holds, in the order of names.
func seedbank(version int) map[string]string {
	return map[string]string{
		"config/seedbank.toml":              fmt.Sprintf("# beds\nbean = %d\nbarley = 2\nrye = 4\n", version),
		"config/" + hostile + ".md":         "<b>beans</b> " + hostile + "\n",
		"large.bin":                         noise(1, 5<<20),
		"notes.html":                        "<script>document.title='run'</script>",
		"caf\xe9/\xff.txt":                  "not UTF-8\n",
		"lot.png":                           pngOf(),
		"a b&c=d#e?f%2f.txt":                "odd\n",
		strings.Repeat("x", 250):            "long\n",
		fmt.Sprintf("only-%d.txt", version): "one\n",
	}
}

func tarOf(t testing.TB, contents map[string]string) []byte {
	t.Helper()
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	put := func(h *tar.Header, content string) {
		h.ModTime, h.Format = time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC), tar.FormatPAX
		if h.Mode == 0 {
			h.Mode = 0o644
		}
		if err := w.WriteHeader(h); err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(w, content); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(contents)) {
		content := contents[name]
		put(&tar.Header{Name: name, Size: int64(len(content)), Typeflag: tar.TypeReg}, content)
	}
	for _, link := range [][2]string{{"link", "config/seedbank.toml"}, {"out", "../../etc/passwd"}, {"round", "round"}, {"folder-link", "config"}} {
		name, target := link[0], link[1]
		put(&tar.Header{Name: name, Linkname: target, Typeflag: tar.TypeSymlink}, "")
	}
	put(&tar.Header{Name: "pipe", Typeflag: tar.TypeFifo}, "")
	put(&tar.Header{Name: "../outside.txt", Size: 2, Typeflag: tar.TypeReg}, "no")
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// newWorld makes a world; its server ends with the test.
func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{t: t, disk: &harmed{Storage: storage.NewMemory()}, contents: seedbank(2)}
	var err error
	if w.r, err = store.Create(t.Context(), w.disk, crypt.NewKeyFile(), store.CreateOptions{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.r.Close() })
	w.was = w.capture("4.1.0", tarOf(t, seedbank(1)))
	w.stream = tarOf(t, w.contents)
	w.is = w.capture("4.2.0", w.stream)
	w.serve()
	return w
}

func (w *world) capture(version string, stream []byte) *store.Capture {
	w.t.Helper()
	c, err := w.r.Capture(w.t.Context(), store.CaptureOptions{
		Name: "seedbank", Version: version, Note: hostile, Host: "hazel",
		Volumes: w.volumes(string(stream)),
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return c
}

// volumes gives what a capture reads.
func (w *world) volumes(stream string) []store.VolumeInput {
	return []store.VolumeInput{{Name: "data/" + hostile, Open: func(context.Context) (io.ReadCloser, error) {
		return io.NopCloser(strings.NewReader(stream)), nil
	}}}
}

func (w *world) serve() {
	w.t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		w.t.Fatal(err)
	}
	ctx, end := context.WithCancel(w.t.Context())
	w.addr = l.Addr().String()
	w.server = New(ctx, l, Options{
		Repository: w.r, Title: "/mnt/share/kist " + hostile, Names: []string{"hazel.example.org"},
		Costs: func(ctx context.Context) (*page.Report, error) {
			u, err := w.r.Usage(ctx)
			return &page.Report{Usage: u, Repository: "/mnt/share/kist", Made: time.Now()}, err
		},
		Entered: func(_, address string) { w.mu.Lock(); defer w.mu.Unlock(); w.entered = append(w.entered, address) },
		Failed:  func(err error) { w.mu.Lock(); defer w.mu.Unlock(); w.failed = append(w.failed, err) },
	})
	ended := make(chan error, 1)
	go func() { ended <- w.server.Run(ctx) }()
	w.t.Cleanup(func() {
		end()
		if err := <-ended; err != nil {
			w.t.Errorf("the server ended with %v", err)
		}
	})
	jar, err := cookiejar.New(nil)
	if err != nil {
		w.t.Fatal(err)
	}
	transport := &http.Transport{}
	w.t.Cleanup(transport.CloseIdleConnections)
	w.browser = &http.Client{Jar: jar, Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	if status, _, _ := w.get(w.server.Address()); status != http.StatusOK {
		w.t.Fatalf("not let in: %d", status)
	}
}

// get asks for a page as the browser that came in.
func (w *world) get(address string) (status int, h http.Header, body string) {
	w.t.Helper()
	if strings.HasPrefix(address, "/") {
		address = "http://" + w.addr + address
	}
	answer, err := w.browser.Get(address)
	if err != nil {
		w.t.Fatal(err)
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err != nil {
		w.t.Fatalf("%s: %v", address, err)
	}
	return answer.StatusCode, answer.Header, string(b)
}

// in gives what a member of the last capture is named by.
func (w *world) in(path string) ref { return ref{w.is.ID, w.is.Volumes[0].Name, path} }

// do sends a request with nothing but what is given.
func (w *world) do(method, path string, change func(*http.Request)) (status int, h http.Header, body string) {
	w.t.Helper()
	r, err := http.NewRequest(method, "http://"+w.addr+path, nil)
	if err != nil {
		w.t.Fatal(err)
	}
	if change != nil {
		change(r)
	}
	answer, err := w.browser.Transport.RoundTrip(r)
	if err != nil {
		w.t.Fatal(err)
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err != nil {
		w.t.Fatal(err)
	}
	return answer.StatusCode, answer.Header, string(b)
}

// cookie gives the cookie of the browser that came in.
func (w *world) cookie() *http.Cookie {
	w.t.Helper()
	all := w.browser.Jar.Cookies(&url.URL{Scheme: "http", Host: w.addr, Path: "/"})
	if len(all) != 1 {
		w.t.Fatalf("%d cookies", len(all))
	}
	return all[0]
}
