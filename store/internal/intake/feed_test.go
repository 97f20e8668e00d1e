package intake

import (
	"bytes"
	"context"
	"errors"
	"io"
	"slices"
	"testing"
	"testing/iotest"

	"github.com/kistarchive/kist/store/storage"
)

// putFunc is a storage for Put alone.
type putFunc struct {
	storage.Storage
	put func(ctx context.Context, content io.Reader) error
}

func (p putFunc) Put(ctx context.Context, _ string, content io.Reader) error {
	return p.put(ctx, content)
}

// What is sent arrives, however the storage reads, and every piece comes back.
func TestFeedArrives(t *testing.T) {
	var got bytes.Buffer
	ways := map[string]func(io.Reader) error{
		"read": func(r io.Reader) error { _, err := got.ReadFrom(struct{ io.Reader }{r}); return err },
		"read a byte at a time": func(r io.Reader) error {
			_, err := got.ReadFrom(iotest.OneByteReader(r))
			return err
		},
		"written": func(r io.Reader) error { _, err := r.(io.WriterTo).WriteTo(&got); return err },
	}
	for name, way := range ways {
		t.Run(name, func(t *testing.T) {
			got.Reset()
			pieces := newPieces()
			f := newFeed(t.Context(), putFunc{put: func(_ context.Context, r io.Reader) error { return way(r) }}, "slab", pieces, pieceLength)
			var want []byte
			for i := range 3 * feedPieces {
				b, err := f.piece(100)
				if err != nil {
					t.Fatal(err)
				}
				b = append(b, bytes.Repeat([]byte{byte(i)}, 100*i)...)
				want = append(want, b...)
				f.send(b)
			}
			f.end()
			if err := f.wait(); err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got.Bytes(), want) {
				t.Errorf("%d bytes arrived of %d", got.Len(), len(want))
			}
			if len(pieces) != feedPieces {
				t.Errorf("%d pieces came back of %d", len(pieces), feedPieces)
			}
		})
	}
}

// Whatever ends the putting early, whoever fills the slab is told and not left
// waiting.
func TestFeedFails(t *testing.T) {
	full := errors.New("full")
	two := func(r io.Reader) { io.CopyN(io.Discard, r, 2) }
	cases := map[string]struct {
		put  func(context.Context, io.Reader) error
		want error
	}{
		"at once":          {func(context.Context, io.Reader) error { return full }, full},
		"after a part":     {func(_ context.Context, r io.Reader) error { two(r); return full }, full},
		"with a part kept": {func(_ context.Context, r io.Reader) error { two(r); return nil }, errCutShort},
		"in the middle of it": {func(_ context.Context, r io.Reader) error {
			_, err := r.(io.WriterTo).WriteTo(noRoom{full})
			return err
		}, full},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			f := newFeed(t.Context(), putFunc{put: c.put}, "slab", newPieces(), pieceLength)
			var err error
			for range 2 * feedPieces {
				var b []byte
				if b, err = f.piece(100); err != nil {
					break
				}
				f.send(append(b, "three"...))
			}
			if !errors.Is(err, c.want) {
				t.Errorf("%v, not %v", err, c.want)
			}
			f.wait()
		})
	}
}

type noRoom struct{ err error }

func (w noRoom) Write([]byte) (int, error) { return 0, w.err }

// A session that ends leaves no slab half put.
func TestFeedCancelled(t *testing.T) {
	for _, name := range []string{"read", "written"} {
		ctx, cancel := context.WithCancel(t.Context())
		var ended []error
		f := newFeed(ctx, putFunc{put: func(_ context.Context, r io.Reader) error {
			var err error
			if name == "read" {
				_, err = io.ReadAll(r)
			} else {
				_, err = r.(io.WriterTo).WriteTo(io.Discard)
			}
			ended = append(ended, err)
			return err
		}}, "slab", newPieces(), pieceLength)
		b, err := f.piece(100)
		if err != nil {
			t.Fatal(err)
		}
		f.send(append(b, 1))
		cancel()
		if err := f.wait(); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v", name, err)
		}
		if len(ended) != 1 || slices.Contains(ended, nil) {
			t.Errorf("%s: the storage is told of a complete slab: %v", name, ended)
		}
	}
}
