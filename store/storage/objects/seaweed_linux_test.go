package objects_test

import (
	"bytes"
	"cmp"
	"context"
	"io"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// TestSeaweed holds the package against a second engine that others made, with two gateways. A long run: see [objectstest.StartSeaweed].
func TestSeaweed(t *testing.T) {
	newEngine(objectstest.StartSeaweed(t, "../../../testdata/seaweed/run")).parts(t,
		part{"bucket", testSeaweedBucket},
		part{"conformance", testConformance},
		part{"many race", testSeaweedRace},
		part{"many race by two gateways", testSeaweedRaceByTwo},
		part{"repository", testRepository},
		part{"repository by two gateways", testSeaweedByTwo},
		part{"machines at once", testMachines},
		part{"a volume server is killed", testSeaweedVolume},
		part{"a gateway is killed", testSeaweedGateway},
	)
}

func testSeaweedBucket(t *testing.T, e *engine) {
	s := e.open(t)
	if err := s.MakeBucket(t.Context()); err != nil {
		t.Fatal(err)
	}
	got, err := s.Probe(t.Context())
	if want := (objects.Properties{Conditional: objects.Yes, Late: objects.No, Removes: objects.Yes, Versions: objects.No, Locked: objects.No}); err != nil || got != want {
		t.Errorf("%+v, %v; want %+v", got, err, want)
	}
}

// second gives the same place by the second gateway.
func (e *engine) second(t *testing.T, options objects.Options) *objects.Storage {
	options.Address.Endpoint = e.Second
	return open(t, options)
}

// byTurns is a storage whose calls of Mark go by two gateways.
type byTurns struct {
	storage.Storage
	second storage.Storage
	calls  atomic.Int64
}

func (b *byTurns) Mark(ctx context.Context, name string, content []byte) error {
	if b.calls.Add(1)%2 == 0 {
		return b.second.Mark(ctx, name, content)
	}
	return b.Storage.Mark(ctx, name, content)
}

// raceOptions give up a request soon, and send it again: of puts of one name at once this engine lets each wait for a second or more until it
// has looked again whether the one before is done, 50 of them for 30 seconds.
func (e *engine) raceOptions() objects.Options {
	options := e.options("seeds")
	options.Stall = 3 * time.Second
	return options
}

func testSeaweedRace(t *testing.T, e *engine) { race(t, open(t, e.raceOptions())) }

// Half of the writers go by each gateway.
func testSeaweedRaceByTwo(t *testing.T, e *engine) {
	options := e.raceOptions()
	race(t, &byTurns{Storage: open(t, options), second: e.second(t, options)})
}

// turns sends each other request to a second gateway.
type turns struct {
	second string // HOST:PORT
	n      atomic.Int64
}

// RoundTrip implements [http.RoundTripper]. The host that was signed stays.
func (g *turns) RoundTrip(r *http.Request) (*http.Response, error) {
	if g.n.Add(1)%2 == 0 {
		r = r.Clone(r.Context())
		r.Host, r.URL.Host = cmp.Or(r.Host, r.URL.Host), g.second
	}
	return http.DefaultTransport.RoundTrip(r)
}

// Two gateways of one store show at once what went by the other one.
func testSeaweedByTwo(t *testing.T, e *engine) {
	options := e.options("seeds")
	options.Late = func() { t.Error("told that the store lags") }
	s, err := objects.OpenOver(options, &turns{second: strings.TrimPrefix(e.Second, "http://")})
	if err != nil {
		t.Fatal(err)
	}
	if got, err := s.Probe(t.Context()); err != nil || got.Late != objects.No || got.Conditional != objects.Yes {
		t.Errorf("%+v, %v", got, err)
	}
	r, err := store.Create(t.Context(), s, crypt.NewKeyFile(), store.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var last *store.Capture
	want := noise(8 << 20)
	for range 5 {
		want = want[:len(want)-1<<20]
		c := capture(t, r, want)
		if last != nil {
			if err := r.Retire(t.Context(), []string{last.ID}, store.MarkOptions{}); err != nil {
				t.Error(err)
			}
		}
		last = c
		if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01}); err != nil {
			t.Error(err)
		}
	}
	if last, err = r.Find(t.Context(), last.ID); err != nil {
		t.Fatal(err)
	}
	wantRestored(t, r, last, want)
}

// Of three volume servers one is killed in the middle of a capture, and comes back: nothing fails, and nothing is lost.
func testSeaweedVolume(t *testing.T, e *engine) {
	testCaptureThrough(t, e, func() { e.Do("kill volume1") }, func() { e.Do("start volume1") })
}

// The gateway that a capture goes by is killed in its middle, and comes back. The other one has all that was put by then.
func testSeaweedGateway(t *testing.T, e *engine) {
	testCaptureThrough(t, e, func() {
		e.Do("kill gateway0")
		e.Do("start gateway0")
	}, func() {})
}

// testCaptureThrough captures 96 MiB, has something done in the middle, and something else once it is captured, restores by both gateways,
// and verifies.
func testCaptureThrough(t *testing.T, e *engine, harm, mend func()) {
	options := e.options("seeds")
	s, key := open(t, options), crypt.NewKeyFile()
	r, err := store.Create(t.Context(), s, key, store.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	want := noise(96 << 20)
	volume := store.VolumeInput{Name: "data", Open: func(context.Context) (io.ReadCloser, error) {
		return io.NopCloser(io.MultiReader(bytes.NewReader(want[:64<<20]), ended(harm), bytes.NewReader(want[64<<20:]))), nil
	}}
	c, err := r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{volume}})
	if err != nil {
		t.Fatal(err)
	}
	wantRestored(t, r, c, want)
	mend()
	second, err := store.Open(t.Context(), e.second(t, options), key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	if c, err = second.Find(t.Context(), c.ID); err != nil {
		t.Fatal(err)
	}
	wantRestored(t, second, c, want)
	if report, err := second.Verify(t.Context(), store.VerifyOptions{Full: true}); err != nil || !report.OK {
		t.Errorf("%+v, %v", report, err)
	}
}
