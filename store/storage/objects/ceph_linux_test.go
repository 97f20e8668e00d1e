package objects_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/minio/minio-go/v7"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestCeph holds the package against an engine that others made, with its faults. One Ceph serves all of it.
func TestCeph(t *testing.T) {
	newEngine(objectstest.StartCeph(t, "../../../testdata/ceph/run")).parts(t,
		part{"bucket", testCephBucket},
		part{"conformance", testConformance},
		part{"many race", testRace},
		part{"parts", testCephParts},
		part{"machines at once", testMachines},
		part{"an OSD is killed", testCephOSD},
		part{"the gateway is killed", testCephGateway},
		part{"full", testCephFull},
	)
}

func testConformance(t *testing.T, e *engine) {
	storagetest.RunFlat(t, func(t *testing.T) storage.Storage { return e.open(t) })
}

func testCephBucket(t *testing.T, c *engine) {
	s := c.open(t)
	if _, err := s.Probe(t.Context()); !errors.Is(err, objects.ErrNoBucket) || !errors.Is(err, storage.ErrGone) {
		t.Errorf("no bucket: %v, want ErrNoBucket", err)
	}
	if _, err := s.Stat(t.Context(), "kist.json"); !errors.Is(err, storage.ErrGone) {
		t.Errorf("stat in no bucket: %v, want ErrGone", err)
	}
	if err := s.MakeBucket(t.Context()); err != nil {
		t.Fatal(err)
	}
	got, err := s.Probe(t.Context())
	if want := (objects.Properties{Conditional: objects.Yes, Late: objects.No, Removes: objects.Yes, Versions: objects.No, Locked: objects.No}); err != nil || got != want {
		t.Errorf("%+v, %v; want %+v", got, err, want)
	}
	for name, keys := range map[string]objects.StaticKeys{"access key": {AccessKey: "nobody", SecretKey: "x"}, "secret key": {AccessKey: c.keys.AccessKey, SecretKey: "x"}} {
		options := c.options("seeds")
		options.Credentials = keys
		if err := open(t, options).Mark(t.Context(), "leases/a", nil); !errors.Is(err, objects.ErrKey) {
			t.Errorf("a wrong %s: %v, want ErrKey", name, err)
		}
		if _, err := open(t, options).Stat(t.Context(), "kist.json"); !errors.Is(err, objects.ErrKey) {
			t.Errorf("stat with a wrong %s: %v, want ErrKey", name, err)
		}
	}
	// In a bucket with versions this release ignores the condition, which has to be found out.
	versioned := open(t, c.options("versions"))
	if err := versioned.MakeBucket(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := c.client(t).EnableVersioning(t.Context(), "versions"); err != nil {
		t.Fatal(err)
	}
	got, err = versioned.Probe(t.Context())
	if want := (objects.Properties{Conditional: objects.No, Late: objects.No, Removes: objects.Yes, Versions: objects.Yes, Locked: objects.No}); err != nil || got != want {
		t.Errorf("with versions: %+v, %v; want %+v", got, err, want)
	}
}

func testRace(t *testing.T, e *engine) { race(t, e.open(t)) }

// race has 50 rounds of 50 writers who race for one name: one wins each.
func race(t *testing.T, s storage.Storage) {
	for round := range 50 {
		storagetest.RaceMarks(t, s, fmt.Sprint("leases/round-", round), 50)
	}
}

func testCephParts(t *testing.T, c *engine) {
	s := c.open(t)
	want := noise(objects.MaxWhole + 6<<20)
	if err := s.Put(t.Context(), "slabs/large", bytes.NewReader(want)); err != nil {
		t.Fatal(err)
	}
	wantContent(t, s, "slabs/large", want)
	if err := s.Put(t.Context(), "slabs/large", bytes.NewReader(want)); !errors.Is(err, storage.ErrExists) {
		t.Errorf("again: %v, want ErrExists", err)
	}
	// what a killed writer leaves
	key := strings.TrimPrefix(s.Place(), "s3://seeds/") + "/slabs/left"
	upload, err := c.client(t).NewMultipartUpload(t.Context(), "seeds", key, minio.PutObjectOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.client(t).PutObjectPart(t.Context(), "seeds", key, upload, 1, bytes.NewReader(want[:5<<20]), 5<<20, minio.PutObjectPartOptions{DisableContentSha256: true}); err != nil {
		t.Fatal(err)
	}
	if removed, err := s.RemoveAside(t.Context(), time.Hour); err != nil || len(removed) > 0 {
		t.Errorf("what is young: %v, %v", removed, err)
	}
	time.Sleep(2 * time.Second) // the store's clock has to go on, by whole seconds
	if removed, err := s.RemoveAside(t.Context(), 0); err != nil || len(removed) != 1 || removed[0].Name != "slabs/left" || removed[0].Size != 5<<20 {
		t.Errorf("what was left: %v, %v", removed, err)
	}
}

// noise gives bytes that no two calls have in common.
func noise(n int) []byte {
	p := make([]byte, n)
	for i := range p {
		p[i] = byte(rand.Uint32())
	}
	return p
}

func wantContent(t *testing.T, s storage.Storage, name string, want []byte) {
	t.Helper()
	got := make([]byte, len(want))
	if err := s.ReadAt(t.Context(), name, got, 0); err != nil || !bytes.Equal(got, want) {
		t.Errorf("%s: %v, or another content", name, err)
	}
	if info, err := s.Stat(t.Context(), name); err != nil || info.Size != int64(len(want)) {
		t.Errorf("%s: %+v, %v", name, info, err)
	}
}

// Of three OSDs one is killed while objects are put, and comes back: nothing fails, and nothing is lost.
func testCephOSD(t *testing.T, c *engine) {
	s := c.open(t)
	content := noise(4 << 20)
	var wait sync.WaitGroup
	put := make(chan string, 100)
	killed := make(chan struct{})
	for w := range 2 {
		wait.Go(func() {
			for i := range 10 {
				name := fmt.Sprintf("slabs/w%d-%d", w, i)
				if err := s.Put(t.Context(), name, bytes.NewReader(content)); err != nil {
					t.Error(err)
				}
				put <- name
				if i == 2 {
					<-killed
				}
			}
		})
	}
	<-put
	<-put
	c.Do("kill osd1")
	close(killed)
	wait.Wait()
	for len(put) > 0 {
		wantContent(t, s, <-put, content)
	}
	c.Do("start osd1")
	infos, err := s.List(t.Context(), "")
	if err != nil || len(infos) != 20 {
		t.Fatalf("%d objects, %v; want 20", len(infos), err)
	}
	for _, info := range infos {
		wantContent(t, s, info.Name, content)
	}
}

// The gateway is killed in the middle of puts and comes back: they are done again. Without patience they fail, and what is there
// is whole.
func testCephGateway(t *testing.T, c *engine) {
	options := c.options("seeds")
	s := open(t, options)
	options.Patience = time.Nanosecond
	impatient := open(t, options)
	content := noise(16 << 20)
	var wait sync.WaitGroup
	results := make([]error, 8)
	sending := make(chan struct{}, 8)
	for i := range results {
		by, name := s, fmt.Sprint("slabs/p", i)
		if i%2 == 1 {
			by = impatient
		}
		wait.Go(func() {
			results[i] = by.Put(t.Context(), name, io.MultiReader(bytes.NewReader(content), ended(func() { sending <- struct{}{} })))
		})
	}
	<-sending
	c.Do("kill rgw")
	c.Do("start rgw")
	wait.Wait()
	failed := 0
	for i, err := range results {
		name := fmt.Sprint("slabs/p", i)
		switch {
		case err == nil:
			wantContent(t, s, name, content)
		case i%2 == 0:
			t.Error(err)
		default:
			failed++
			if _, err := s.Stat(t.Context(), name); err == nil {
				wantContent(t, s, name, content)
			} else if !errors.Is(err, storage.ErrNotFound) {
				t.Error(err)
			}
		}
	}
	if failed == 0 {
		t.Error("no put was under way when the gateway was killed: the test sees nothing")
	}
}

// ended calls itself when it is read, and is at its end.
type ended func()

func (e ended) Read([]byte) (int, error) { e(); return 0, io.EOF }

// A full cluster holds back what is written: our calls end, and say what it may be. Once there is room again, the same is done.
func testCephFull(t *testing.T, c *engine) {
	options := c.options("seeds")
	patient := open(t, options)
	options.Stall, options.Patience = 3*time.Second, time.Nanosecond
	s := open(t, options)
	if err := s.Mark(t.Context(), "leases/before", nil); err != nil {
		t.Fatal(err)
	}
	c.Do("full")
	err := until(t, func(i int) error { return s.Mark(t.Context(), fmt.Sprint("leases/", i), []byte("x")) })
	if !errors.Is(err, objects.ErrSilent) || !strings.Contains(err.Error(), "full") {
		t.Errorf("%v, want ErrSilent", err)
	}
	if _, err := s.Stat(t.Context(), "leases/before"); err != nil {
		t.Errorf("reading while it is full: %v", err)
	}
	c.Do("room")
	if err := patient.Mark(t.Context(), "leases/after", []byte("x")); err != nil {
		t.Error(err)
	}
}

// until does something until it fails, as the state of a cluster takes a moment to be known.
func until(t *testing.T, do func(i int) error) error {
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for i := 0; ctx.Err() == nil; i++ {
		if err := do(i); err != nil {
			return err
		}
	}
	return nil
}
