package store_test

import (
	"archive/tar"
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// file is a member of a test's tar stream.
type file struct {
	name    string
	content []byte
	hdr     func(*tar.Header)
}

// tarOf gives a pax tar stream of files.
func tarOf(t testing.TB, files ...file) []byte {
	t.Helper()
	var buf bytes.Buffer
	w := tar.NewWriter(&buf)
	for _, f := range files {
		h := &tar.Header{Name: f.name, Mode: 0o644, Size: int64(len(f.content)), ModTime: time.Unix(1700000000, 0), Format: tar.FormatPAX}
		if f.hdr != nil {
			f.hdr(h)
		}
		if err := w.WriteHeader(h); err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(f.content); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

// random gives n bytes that no compressor shortens, the same for the same seed.
func random(seed byte, n int) []byte {
	b := make([]byte, n)
	rand.NewChaCha8([32]byte{seed}).Read(b)
	return b
}

// fixture is a repository in memory.
type fixture struct {
	t   testing.TB
	mem *storage.Memory
	key *crypt.KeyFile
	*store.Repository
	harmed bool // on purpose
	closed bool
}

// newFixture makes a repository in memory. After the test all of it must
// verify in full, unless the test says that it harmed it.
func newFixture(t testing.TB) *fixture {
	t.Helper()
	return newFixtureOf(t, store.CreateOptions{})
}

// newFixtureOf is newFixture with options.
func newFixtureOf(t testing.TB, o store.CreateOptions) *fixture {
	t.Helper()
	f := &fixture{t: t, mem: storage.NewMemory(), key: crypt.NewKeyFile()}
	var err error
	f.Repository, err = store.Create(t.Context(), f.mem, f.key, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// Close verifies all in full, unless the test failed or says that it harmed it, and closes
// the repository. In a bubble a test calls it itself.
func (f *fixture) Close() error {
	if f.closed {
		return nil
	}
	f.closed = true
	if !f.t.Failed() && !f.harmed {
		f.verify(context.Background())
	}
	return f.Repository.Close()
}

func (f *fixture) verify(ctx context.Context) {
	f.t.Helper()
	report, err := f.Verify(ctx, store.VerifyOptions{Full: true})
	if err != nil {
		f.t.Fatal(err)
	}
	for _, d := range report.Damage {
		f.t.Errorf("%+v", d)
	}
}

func stream(b []byte) store.VolumeInput {
	return store.VolumeInput{Name: "data", Open: func(context.Context) (io.ReadCloser, error) {
		return io.NopCloser(bytes.NewReader(b)), nil
	}}
}

func (f *fixture) capture(b []byte) *store.Capture {
	f.t.Helper()
	c, err := f.Capture(f.t.Context(), store.CaptureOptions{Name: "seedbank", Version: "1.0", Volumes: []store.VolumeInput{stream(b)}})
	if err != nil {
		f.t.Fatal(err)
	}
	return c
}

func (f *fixture) restore(c *store.Capture) []byte {
	f.t.Helper()
	var out bytes.Buffer
	if err := f.Restore(f.t.Context(), &c.Volumes[0], &out, store.RestoreOptions{}); err != nil {
		f.t.Fatal(err)
	}
	return out.Bytes()
}

func TestRoundTrip(t *testing.T) {
	many := make([]file, 3000)
	for i := range many {
		many[i] = file{name: fmt.Sprintf("d%d/f%d", i%7, i), content: random(byte(i), i%900)}
	}
	for name, in := range map[string][]byte{
		"empty":         {},
		"plain":         []byte("-- a dump of the catalogue\n"),
		"large plain":   random(1, 5<<20),
		"empty tar":     make([]byte, 10240),
		"one file":      tarOf(t, file{name: "a", content: []byte("bean")}),
		"large file":    tarOf(t, file{name: "a", content: random(2, 9<<20)}),
		"many files":    tarOf(t, many...),
		"zeros":         tarOf(t, file{name: "a", content: make([]byte, 20<<20)}),
		"trailing junk": append(tarOf(t, file{name: "a", content: []byte("bean")}), random(3, 200_000)...),
	} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t)
			c := f.capture(in)
			if got := f.restore(c); !bytes.Equal(got, in) {
				t.Fatalf("restored %d bytes, not the %d that were captured", len(got), len(in))
			}
			again := f.capture(in)
			if got := f.restore(again); !bytes.Equal(got, in) {
				t.Fatal("the second capture differs")
			}
			if again.Added > 16<<10 {
				t.Errorf("an unchanged capture added %d bytes", again.Added)
			}
		})
	}
}
