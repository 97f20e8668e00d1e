package intake

import (
	"context"
	"errors"
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/names"
)

// What else is known is asked for once so much was taken in that the index lacks, and used from then on.
func TestMore(t *testing.T) {
	const size = 3000
	others, own := noise(7, 20, size), noise(8, 4, size)
	for _, test := range []struct {
		name   string
		from   int64
		stored int // chunks
		asked  int
	}{
		{"at once", 0, 4, 1},
		{"after some", 10 * size, 10 + 4, 1},
		{"just not", 24 * size, 24, 0},
		{"by the last", 23 * size, 24, 1},
	} {
		t.Run(test.name, func(t *testing.T) {
			r := newRepo(t)
			in := r.start(t, t.Context(), known.New())
			mustPut(t, in, in.Stream(Contents), others...)
			mustClose(t, in)
			before, asked := len(r.slabRecords(t)), 0
			var crowds Crowds
			base := []format.Base{{Count: 1}}
			crowds.Count(GroupsOf(base))
			r.moreFrom = test.from
			r.more = func(context.Context) (*More, error) {
				asked++
				return &More{Index: r.known(t), Crowds: &crowds}, nil
			}
			in = r.start(t, t.Context(), known.New())
			s := in.Stream(Contents)
			all := slices.Concat(others, own, others, own)
			mustPut(t, in, s, all...)
			if err := in.Settle(); err != nil {
				t.Fatal(err)
			}
			if in.Lacked() != int64(test.stored)*size {
				t.Errorf("%d bytes lacked, want %d", in.Lacked(), test.stored*size)
			}
			mustClose(t, in)
			if asked != test.asked {
				t.Errorf("asked %d times, want %d", asked, test.asked)
			}
			if n := in.cfg.Crowds.On(base[0]); int(n) != test.asked {
				t.Errorf("of what others put, %d frames count", n)
			}
			stored := 0
			for _, rec := range r.slabRecords(t)[before:] {
				for _, f := range rec.Frames {
					if !f.Padding {
						stored += len(f.Chunks)
					}
				}
			}
			if stored != test.stored {
				t.Errorf("%d chunks are stored, want %d", stored, test.stored)
			}
			r.wantChunks(t, recipeOf(t, s), all)
		})
	}
}

// Before its table is put, a session asks where it is told to, for what is to be joined. One that puts none does not.
func TestMoreAtEnd(t *testing.T) {
	frames := []format.TableFrame{{Kind: format.Zstd, Sealed: 100, Chunks: []uint32{9}, IDs: make([]byte, 16)}}
	for _, writes := range []bool{false, true} {
		r, asked := newRepo(t), 0
		r.moreFrom, r.moreAtEnd = 1<<40, true
		r.more = func(context.Context) (*More, error) {
			asked++
			return &More{Index: known.New(), Joined: []*format.SlabRecord{{Slab: format.SlabID{5}, Length: 500, Frames: frames}}}, nil
		}
		in := r.start(t, t.Context(), known.New())
		if writes {
			mustPut(t, in, in.Stream(Contents), noise(3, 2, 1000)...)
		}
		mustClose(t, in)
		if writes != (asked == 1) || !writes && len(r.listed(t, names.Tables)) > 0 || writes && len(r.slabRecords(t)) != 2 {
			t.Errorf("writes %v: asked %d times; tables %v", writes, asked, r.listed(t, names.Tables))
		}
	}
}

// What can't be found out ends the session.
func TestMoreFails(t *testing.T) {
	r, failed := newRepo(t), errors.New("no answer")
	r.more = func(context.Context) (*More, error) { return nil, failed }
	in := r.start(t, t.Context(), known.New())
	mustPut(t, in, in.Stream(Contents), noise(3, 2, 1000)...)
	if _, err := in.Close(); !errors.Is(err, failed) {
		t.Errorf("got %v", err)
	}
}
