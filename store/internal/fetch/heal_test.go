package fetch

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"sync/atomic"
	"syscall"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/parity"
	"github.com/kistarchive/kist/store/storage"
)

// holding gives the repository with other bytes in the place of its slab.
func (r *stored) holding(t testing.TB, slab []byte) *stored {
	t.Helper()
	other := *r
	other.storage = storage.NewMemory()
	if err := other.storage.Put(t.Context(), names.Slab(r.slab), bytes.NewReader(slab)); err != nil {
		t.Fatal(err)
	}
	return &other
}

// harms are what may become of a slab.
func harms(slab []byte, run int) map[string][]byte {
	flipped := func(at, n int) []byte {
		b := bytes.Clone(slab)
		for i := range n {
			b[at+i] ^= 0x5a
		}
		return b
	}
	all := map[string][]byte{
		"header":              flipped(0, 20),
		"a run at the start":  flipped(0, run),
		"a run in the middle": flipped(len(slab)/2, run),
		"the end":             flipped(len(slab)-run, run),
		"both trailers":       flipped(len(slab)-format.TrailerSize, format.TrailerSize),
		"one trailer":         flipped(len(slab)-10, 3),
		"cut short":           slab[:len(slab)-run],
		"something behind it": append(bytes.Clone(slab), "something"...),
	}
	return all
}

// TestReadThroughParity reads slabs that are damaged: what is read, copied and given whole is what was
// written, and each is noted.
func TestReadThroughParity(t *testing.T) {
	for _, c := range [][][]byte{noise(1, 40, 3000), noise(2, 200, 60_000)} {
		r := newStoredWith(t, 3, c[:20], c[20:])
		slab := r.slabBytes(t)
		if len(slab) < 4*parity.Run(len(slab), 3) {
			t.Fatal(len(slab))
		}
		for name, harmed := range harms(slab, parity.Run(len(slab), 3)) {
			h := r.holding(t, harmed)
			for _, guess := range []int64{int64(format.TrailerSize), tailGuess} {
				s := h.open(t, h.storage)
				s.guess = guess
				runs := []format.Run{r.run(0, len(c))}
				r.wantRuns(t, s, runs)
				if whole, err := s.Whole(t.Context(), r.slab, nil); err != nil || !bytes.Equal(whole, slab) {
					t.Errorf("%s: %v", name, err)
				}
			}
			s := h.open(t, h.storage)
			from, err := s.Copy(t.Context(), r.slab)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if got, err := io.ReadAll(from); err != nil || !bytes.Equal(got, slab) || len(from.Record().Frames) != len(from.slab.Frames) {
				t.Errorf("%s: copied: %v, as it was: %t", name, err, bytes.Equal(got, slab))
			}
			healed := s.Healed()
			if err := healed[r.slab]; len(healed) != 1 && name != "one trailer" || len(healed) > 0 && !errors.Is(err, format.ErrDamaged) {
				t.Errorf("%s: noted: %v", name, healed)
			}
		}
		if s := r.open(t, r.storage); s.CheckParity(t.Context(), mustOpen(t, s, r.slab)) != nil || len(s.Healed()) > 0 {
			t.Errorf("whole: %v", s.Healed())
		}
	}
}

func mustOpen(t testing.TB, s *Slabs, id format.SlabID) *Slab {
	t.Helper()
	slab, err := s.Open(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	return slab
}

// TestDamagedParity damages the parity itself, as far as it heals and beyond: it is noticed, and what it was is told.
func TestDamagedParity(t *testing.T) {
	r := newStoredWith(t, 3, noise(1, 40, 3000))
	slab := r.slabBytes(t)
	opened := mustOpen(t, r.open(t, r.storage), r.slab)
	for _, n := range []int64{1, opened.parity.length - 200} {
		harmed := bytes.Clone(slab)
		clear(harmed[opened.parity.off+100:][:n])
		h := r.holding(t, harmed)
		s := h.open(t, h.storage)
		if err := s.CheckParity(t.Context(), mustOpen(t, s, r.slab)); !errors.Is(err, format.ErrDamaged) {
			t.Errorf("%d bytes: %v", n, err)
		}
		if whole, err := s.Whole(t.Context(), r.slab, nil); err != nil || !bytes.Equal(whole, slab) {
			t.Errorf("%d bytes: %v", n, err)
		}
	}
}

// TestBeyondParity damages more than parity heals: it is told as it would be without parity, and nothing
// is given out that was not written.
func TestBeyondParity(t *testing.T) {
	c := noise(1, 60, 3000)
	r := newStoredWith(t, 3, c)
	slab := r.slabBytes(t)
	random := rand.New(rand.NewPCG(1, 2))
	for range 60 {
		harmed := bytes.Clone(slab)
		from := random.IntN(len(slab) / 2)
		for i := range len(slab) / 3 {
			harmed[from+i] ^= byte(1 + random.IntN(255))
		}
		h := r.holding(t, harmed)
		s := h.open(t, h.storage)
		reader := s.Read(t.Context(), Inline([]format.Run{r.run(0, len(c))}))
		got, ids, err := readAll(reader.Next)
		reader.Close()
		var at *SlabError
		if !errors.As(err, &at) || !errors.Is(err, format.ErrDamaged) || at.Slab != r.slab {
			t.Fatalf("%v", err)
		}
		r.wantChunks(t, got, ids, c[:len(got)])
		if _, err := s.Whole(t.Context(), r.slab, nil); !errors.Is(err, ErrBeyond) {
			t.Error(err)
		}
		if len(s.Healed()) > 0 {
			t.Error(s.Healed())
		}
	}
}

// TestHealedIsProved: what parity takes for whole, what was put aside of a slab, and a slab of which only the parity is damaged
// count only where every seal opens and both trailers are there.
func TestHealedIsProved(t *testing.T) {
	r := newStoredWith(t, 3, noise(1, 60, 3000))
	slab := r.slabBytes(t)
	opened := mustOpen(t, r.open(t, r.storage), r.slab)
	frame := bytes.Clone(slab)
	frame[opened.offsets[0]+5] ^= 1
	fitting := bytes.Clone(frame)
	if err := parity.Rewrite(fitting, format.SectionHead+int(opened.parity.length)); err != nil {
		t.Fatal(err)
	}
	trailer := bytes.Clone(slab)
	trailer[len(slab)-10] ^= 1
	clear(trailer[opened.parity.off:][:opened.parity.length-20])
	for name, harmed := range map[string][]byte{"a frame, and parity that fits it": fitting, "a trailer, and most of the parity": trailer} {
		h := r.holding(t, harmed)
		s := h.open(t, h.storage)
		if _, err := s.Whole(t.Context(), r.slab, format.ErrDamaged); !errors.Is(err, ErrBeyond) || len(s.Healed()) > 0 {
			t.Errorf("%s: %v, healed: %v", name, err, s.Healed())
		}
	}
	for name, aside := range map[string][]byte{"": slab, "another frame": fitting, "cut short": slab[:len(slab)-1], "nothing": nil} {
		h := r.holding(t, slab)
		if err := errors.Join(h.storage.Put(t.Context(), names.Spare(names.Slab(r.slab)), bytes.NewReader(aside)), h.storage.Remove(t.Context(), names.Slab(r.slab))); err != nil {
			t.Fatal(err)
		}
		s := h.open(t, h.storage)
		whole, err := s.Whole(t.Context(), r.slab, format.ErrDamaged)
		if name == "" && (err != nil || !bytes.Equal(whole, slab)) || name != "" && !errors.Is(err, ErrBeyond) {
			t.Errorf("put aside: %s: %v", name, err)
		}
	}
}

// TestOneReadsForAll: a slab that is beyond what heals is read for that once.
func TestOneReadsForAll(t *testing.T) {
	r := newStoredWith(t, 3, noise(1, 60, 3000))
	h := r.holding(t, make([]byte, len(r.slabBytes(t))))
	counted := &counting{Storage: h.storage}
	s := h.open(t, counted)
	for range 3 {
		if _, err := s.Open(t.Context(), r.slab); !errors.Is(err, format.ErrDamaged) {
			t.Error(err)
		}
	}
	if n := counted.whole.Load(); n != 1 {
		t.Errorf("read as a whole %d times", n)
	}
}

// counting counts reads of whole objects.
type counting struct {
	storage.Storage
	whole atomic.Int32
}

func (c *counting) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	if info, err := c.Stat(ctx, name); err == nil && int64(len(p)) == info.Size {
		c.whole.Add(1)
	}
	return c.Storage.ReadAt(ctx, name, p, off)
}

// badSectors can't read some bytes of objects.
type badSectors struct {
	storage.Storage
	from, to int64
}

func (b *badSectors) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	if off < b.to && off+int64(len(p)) > b.from {
		return fmt.Errorf("reading %s: %w", name, syscall.EIO)
	}
	return b.Storage.ReadAt(ctx, name, p, off)
}

// TestBadSectors: what a medium can't read is healed as what is damaged is, as far as that goes; beyond that its error is
// given, which is no damage.
func TestBadSectors(t *testing.T) {
	c := noise(2, 200, 60_000)
	r := newStoredWith(t, 3, c)
	slab := r.slabBytes(t)
	runs := []format.Run{r.run(0, len(c))}
	for _, at := range []int64{0, 123_456, int64(len(slab) - 50_000), int64(len(slab) - 1)} {
		s := r.open(t, &badSectors{r.storage, at, min(at+40_000, int64(len(slab)))})
		r.wantRuns(t, s, runs)
		if whole, err := s.Whole(t.Context(), r.slab, nil); err != nil || !bytes.Equal(whole, slab) {
			t.Errorf("from %d on: %v", at, err)
		}
	}
	s := r.open(t, &badSectors{r.storage, 100, 2_000_000})
	reader := s.Read(t.Context(), Inline(runs))
	defer reader.Close()
	if _, _, err := readAll(reader.Next); !errors.Is(err, syscall.EIO) || errors.Is(err, format.ErrDamaged) {
		t.Error(err)
	}
}
