package objects_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// crowdRequests is how many requests an unchanged capture may take with opening, whatever others wrote.
const crowdRequests = 16

// TestCrowd: in a bucket where 100 machines keep 10 TiB, an unchanged capture of a machine that made others before takes few requests, of which
// each waits for 20 ms before it is passed on. What others wrote are names alone, of objects that are not there: of 390, 330 of slabs, 30 of
// captures and 30 of tables. A long run: KIST_TEST_ROUNDS says how many thousand names, 390.
func TestCrowd(t *testing.T) {
	if os.Getenv("KIST_TEST_ROUNDS") == "" {
		t.Skip("a long run: KIST_TEST_ROUNDS=390")
	}
	n := rounds(t, 0) * 1000 / 390
	e := newEngine(objectstest.StartCeph(t, "../../../testdata/ceph/run"))
	options := e.options("seeds")
	s := open(t, options)
	if err := s.MakeBucket(t.Context()); err != nil {
		t.Fatal(err)
	}
	key := crypt.NewKeyFile()
	r, err := store.Create(t.Context(), s, key, store.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
	if err := s.Mark(t.Context(), "template", make([]byte, 1500)); err != nil {
		t.Fatal(err)
	}
	c := &crowd{t: t, e: e, prefix: options.Address.Prefix + "/", template: options.Address.Prefix + "/template", dice: rand.New(rand.NewPCG(1, 1)), names: make(map[string][]string), others: make(map[string]bool)}
	began := time.Now()
	c.add(300, 30*n, 330*n)
	t.Logf("the names are there after %.0f s", time.Since(began).Seconds())
	c.wantListed(s)

	c.home = t.TempDir()
	os.Chmod(c.home, 0o700)
	for range 3 {
		c.capture(&warming{s, c.others}, key)
	}
	w := newSlow(t, e.Endpoint)
	options.Address.Endpoint = w.Endpoint
	for i := range 4 {
		if i == 2 {
			c.add(1, 100, 1000) // a day of all others
		}
		w.take()
		began := time.Now()
		c.capture(open(t, options), key)
		took, all := time.Since(began), w.take()
		t.Logf("unchanged capture %d: %d requests, %.2f s", i, len(all), took.Seconds())
		if len(all) > crowdRequests {
			t.Errorf("an unchanged capture takes %d requests:\n%s", len(all), strings.Join(all, "\n"))
		}
	}
}

// capture has a machine capture what it captured before.
func (c *crowd) capture(s storage.Storage, key *crypt.KeyFile) {
	c.t.Helper()
	r, err := store.Open(c.t.Context(), s, key, store.OpenOptions{Cache: filepath.Join(c.home, "cache"), State: filepath.Join(c.home, "state")})
	if err != nil {
		c.t.Fatal(err)
	}
	defer r.Close()
	_, err = r.Capture(c.t.Context(), store.CaptureOptions{Name: "seedbank", Host: "alder", Volumes: []store.VolumeInput{streamOf(block128(1, 1))}})
	if err != nil {
		c.t.Fatal(err)
	}
}

// warming is a storage in which what others wrote, and what heals that, needs no request to find out that it can't be used.
type warming struct {
	*objects.Storage
	others map[string]bool
}

func (w *warming) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	if w.isTheirs(name) {
		return &storage.Error{Op: "read", Name: name, Err: storage.ErrNotFound}
	}
	return w.Storage.ReadAt(ctx, name, p, off)
}

func (w *warming) Stat(ctx context.Context, name string) (storage.Info, error) {
	if w.isTheirs(name) {
		return storage.Info{}, &storage.Error{Op: "stat", Name: name, Err: storage.ErrNotFound}
	}
	return w.Storage.Stat(ctx, name)
}

func (w *warming) isTheirs(name string) bool {
	return w.others[name[strings.LastIndexAny(name, "/.")+1:]] // spares and parity have the name behind a dot
}

// crowd is what others wrote.
type crowd struct {
	t        *testing.T
	e        *engine
	prefix   string
	template string // an object as long as those of others seem to be
	dice     *rand.Rand
	names    map[string][]string // by folders
	others   map[string]bool     // the last parts of these names
	home     string              // of the machine that captures
}

// add has others write so many captures, as many tables, and slabs, over so many days until today.
func (c *crowd) add(days, captures, slabs int) {
	c.t.Helper()
	var all []string
	note := func(folder, name string) {
		c.others[name[strings.LastIndex(name, "/")+1:]] = true
		name = folder + "/" + name
		c.names[folder] = append(c.names[folder], name)
		all = append(all, c.prefix+name)
	}
	for i := range captures {
		at := time.Now().UTC().Add(-time.Duration(i) * (time.Duration(days) * 24 * time.Hour / time.Duration(captures)))
		for _, folder := range []string{"captures", "tables"} {
			note(folder, at.Format("20060102t1504z-")+c.letters())
		}
	}
	for range slabs {
		id := fmt.Sprintf("%016x%016x", c.dice.Uint64(), c.dice.Uint64())[:24]
		note("slabs", id[:2]+"/"+id)
	}
	file := filepath.Join(c.t.TempDir(), "names")
	if err := os.WriteFile(file, []byte(strings.Join(all, "\n")), 0o600); err != nil {
		c.t.Fatal(err)
	}
	c.e.Do("names seeds " + c.template + " " + file)
}

func (c *crowd) letters() string {
	b := make([]byte, 4)
	for i := range b {
		b[i] = "0123456789abcdefghijklmnopqrstuvwxyz"[c.dice.IntN(36)]
	}
	return string(b)
}

// wantListed makes sure that what was put is listed, as a whole and from a name on, of which both take more than one page.
func (c *crowd) wantListed(s storage.AfterLister) {
	c.t.Helper()
	for folder, names := range c.names {
		slices.Sort(names)
		for _, from := range []int{0, 1, len(names) / 10, max(len(names)-1001, 0), len(names)} {
			after := ""
			if from > 0 {
				after = names[from-1]
			}
			began := time.Now()
			infos, err := s.ListAfter(c.t.Context(), folder, after)
			if err != nil {
				c.t.Fatal(err)
			}
			c.t.Logf("%s: %d names behind %q in %.1f s", folder, len(infos), after, time.Since(began).Seconds())
			got := make([]string, 0, len(infos))
			for _, info := range infos {
				got = append(got, info.Name)
			}
			if !slices.Equal(got, names[from:]) {
				c.t.Errorf("%s: there are %d names behind %q, or others, want %d", folder, len(got), after, len(names)-from)
			}
		}
	}
}

// slow is a proxy that lets each request wait, and notes it.
type slow struct {
	*objectstest.Proxy

	mu  sync.Mutex
	all []string
}

func newSlow(t *testing.T, endpoint string) *slow {
	w := &slow{}
	p, err := objectstest.StartProxy(endpoint, func(r *http.Request) {
		w.mu.Lock()
		unescaped, _ := url.QueryUnescape(r.URL.String())
		w.all = append(w.all, r.Method+" "+unescaped)
		w.mu.Unlock()
		time.Sleep(20 * time.Millisecond)
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	w.Proxy = p
	return w
}

// take gives what was asked for since it was called before, a line for each request.
func (w *slow) take() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	all := w.all
	w.all = nil
	return all
}
