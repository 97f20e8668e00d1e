package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"io"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/storage"
)

func newTaker(t *testing.T) *Repository {
	t.Helper()
	r, err := Create(t.Context(), storage.NewMemory(), crypt.NewKeyFile(), CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

func captureStream(t *testing.T, r *Repository, name string, b []byte) *Capture {
	t.Helper()
	c, err := r.Capture(t.Context(), CaptureOptions{Name: name, Volumes: []VolumeInput{{Name: "data", Open: func(context.Context) (io.ReadCloser, error) {
		return io.NopCloser(bytes.NewReader(b)), nil
	}}}})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func randomBytes(seed byte, n int) []byte {
	b := make([]byte, n)
	rand.NewChaCha8([32]byte{seed}).Read(b)
	return b
}

// changed are streams that go on from a base in different ways.
func changedStreams() map[string][]byte {
	base := randomBytes(1, 16<<20)
	edit := bytes.Clone(base)
	edit[9<<20] ^= 1
	return map[string][]byte{
		"unchanged":  base,
		"one byte":   edit,
		"inserted":   slices.Concat(base[:8<<20], randomBytes(2, 1<<20), base[8<<20:]),
		"deleted":    slices.Concat(base[:7<<20], base[9<<20+77:]),
		"cut short":  base[:12<<20+5],
		"appended":   slices.Concat(base, randomBytes(3, 200_000)),
		"exchanged":  slices.Concat(base[10<<20:], base[:10<<20]),
		"all new":    randomBytes(4, 16<<20),
		"zeros":      make([]byte, 16<<20),
		"empty":      nil,
		"with zeros": slices.Concat(base[:8<<20], make([]byte, 1<<20), base[8<<20:]),
	}
}

// A capture is the same whatever was expected of it: same identities, lengths
// and places of its chunks as that of another name, of which nothing is.
func TestExpectingChangesNothing(t *testing.T) {
	r := newTaker(t)
	base := changedStreams()["unchanged"]
	captureStream(t, r, "seedbank", base)
	for name, b := range changedStreams() {
		if testing.Short() && name != "deleted" {
			continue
		}
		other := captureStream(t, r, "other "+name, b)
		c := captureStream(t, r, "seedbank", b)
		got, want := c.Volumes[0].record, other.Volumes[0].record
		if (got.Contents == nil) != (want.Contents == nil) {
			t.Fatalf("%s: contents %v, without expecting %v", name, got.Contents, want.Contents)
		}
		if got.Contents != nil && (got.Contents.Digest != want.Contents.Digest || !slices.Equal(got.Contents.Runs, want.Contents.Runs)) {
			t.Errorf("%s: contents %+v, without expecting %+v", name, got.Contents, want.Contents)
		}
		sum := sha256.New()
		if err := r.Restore(t.Context(), &c.Volumes[0], sum, RestoreOptions{}); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if s := sha256.Sum256(b); !bytes.Equal(sum.Sum(nil), s[:]) {
			t.Errorf("%s: another stream is restored", name)
		}
	}
}
