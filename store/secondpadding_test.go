package store_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math/bits"
	"slices"
	"testing"
	"time"

	"lukechampine.com/blake3"

	"github.com/kistarchive/kist/store"
)

// secondPadded tells of a PADMÉ length, as section 7 has it.
func secondPadded(n int) bool {
	e := bits.Len(uint(n)) - 1
	s := bits.Len(uint(e))
	return n < 2 || n%(1<<(e-s)) == 0
}

// checkSecondLengths holds what shows of a repository against section 7: lengths, and what
// pads them.
func checkSecondLengths(r *secondReader) error {
	names, err := r.list("slabs/*")
	if err != nil {
		return err
	}
	for _, name := range names {
		s, err := r.slab(name[len(name)-24:])
		if err != nil {
			return err
		}
		if err := s.checkPadding(); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	for folder, kind := range map[string]string{"tables": "table", "captures": "capture"} {
		names, err := r.list(folder)
		if err != nil {
			return err
		}
		for _, name := range names {
			o, err := r.object(kind, name)
			if err != nil {
				return err
			}
			if kind == "capture" && !secondPadded(len(o.body)) {
				return fmt.Errorf("%s: %d bytes", name, len(o.body))
			}
			for b := o.body; kind == "table" && len(b) > 0; {
				n := int(number(b[:4]))
				if !secondPadded(n) {
					return fmt.Errorf("%s: a record of %d bytes", name, n)
				}
				b = b[4+n:]
			}
		}
	}
	return nil
}

// checkPadding looks at the last frame, and at what shows of the slab.
func (s *secondSlab) checkPadding() error {
	frames := s.table.Frames
	last := len(frames) - 1
	if last < 1 || !frames[last].Padding || slices.ContainsFunc(frames[:last], func(f secondFrameRecord) bool { return f.Padding }) {
		return fmt.Errorf("%d frames, and not the last alone is padding", len(frames))
	}
	sections, err := s.trailers()
	if err != nil {
		return err
	}
	if n := int(number(s.all[sections+8 : sections+16])); !secondPadded(n) || !secondPadded(len(s.all)) {
		return fmt.Errorf("a slab of %d bytes with a table of %d", len(s.all), n)
	}
	if f := s.frames[last]; f[4] != 0xa0 || (f[9]>>1)&3 != 0 {
		return fmt.Errorf("padding that is not in raw blocks: % x", f[:12])
	}
	if bytes.Count(s.table.Padding, []byte{0}) != len(s.table.Padding) {
		return fmt.Errorf("padding that is not zeros")
	}
	return nil
}

// group is the group of a capture's name, section 5.
func (r *secondReader) group(name string) []byte {
	h := blake3.New(32, r.keys.groups)
	h.Write([]byte(name))
	return h.Sum(nil)[:16]
}

// checkSecondApart holds a repository against "Apart" in section 3.
func checkSecondApart(r *secondReader) error {
	names, err := r.list("captures")
	if err != nil {
		return err
	}
	for _, name := range names {
		x, _, err := r.index(name)
		if err != nil {
			return err
		}
		if err := r.checkGroup(x); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		for i := range x.Volumes {
			if err := r.checkMembersApart(&x.Volumes[i]); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
		}
	}
	for _, s := range r.slabs {
		for i, f := range s.frames {
			if r.apart == "stored" && (f[4] != 0xa0 || (f[9]>>1)&3 != 0) {
				return fmt.Errorf("slab %s: frame %d is compressed", s.name, i)
			}
		}
	}
	return nil
}

// checkGroup tests that a capture names slabs of its group alone.
func (r *secondReader) checkGroup(x *secondIndex) error {
	recipes := []*secondRecipe{x.Seen}
	for i := range x.Volumes {
		v := &x.Volumes[i]
		recipes = append(recipes, &v.List, v.Stamps, v.Contents, v.States)
	}
	for _, recipe := range recipes {
		if recipe == nil {
			continue
		}
		for level := uint64(0); level <= recipe.Level; level++ {
			part := *recipe
			part.Level = level
			runs, err := r.expand(&part)
			if err != nil {
				return err
			}
			for _, run := range runs {
				s, err := r.slab(hex.EncodeToString(run.Slab))
				if err != nil {
					return err
				}
				if !bytes.Equal(s.table.Group, r.group(x.Name)) {
					return fmt.Errorf("slab %s is of group %x", s.name, s.table.Group)
				}
			}
		}
	}
	return nil
}

// checkMembersApart tests that no frame has contents of two members, unless those are the
// same chunk.
func (r *secondReader) checkMembersApart(v *secondVolume) error {
	if v.Contents == nil {
		return nil
	}
	chunks, err := r.stream(&v.List)
	if err != nil {
		return err
	}
	entries, err := secondSequence[secondEntry](bytes.Join(chunks, nil))
	if err != nil {
		return err
	}
	runs, err := r.expand(v.Contents)
	if err != nil {
		return err
	}
	places := []string{} // of each chunk of the contents: its frame
	numbers := []string{}
	for _, run := range runs {
		s, err := r.slab(hex.EncodeToString(run.Slab))
		if err != nil {
			return err
		}
		for range run.Times {
			for n := run.First; n < run.First+run.Count; n++ {
				places = append(places, fmt.Sprint(s.name, s.frameOf(n)))
				numbers = append(numbers, fmt.Sprint(s.name, n))
			}
		}
	}
	member := map[string]int{} // by frame
	first := map[string]int{}  // by chunk
	at := 0
	for i, e := range entries {
		for range e.Chunks {
			if before, ok := first[numbers[at]]; ok && before != i {
				at++ // one that two members share
				continue
			}
			first[numbers[at]] = i
			if m, ok := member[places[at]]; ok && m != i {
				return fmt.Errorf("a frame has contents of members %d and %d", m, i)
			}
			member[places[at]] = i
			at++
		}
	}
	return nil
}

// frameOf gives the frame in which a chunk lies.
func (s *secondSlab) frameOf(chunk uint64) int {
	for i, f := range s.table.Frames {
		if n := uint64(len(f.Lengths)); chunk >= n {
			chunk -= n
			continue
		}
		return i
	}
	return -1
}

// TestSecondReaderOfPadding reads with the second reader what the library writes today, in each
// way of keeping captures apart, after merging tables and reclaiming as well.
func TestSecondReaderOfPadding(t *testing.T) {
	oneByOne(t)
	for _, apart := range []store.Apart{store.Together, store.ApartCompressed, store.ApartStored} {
		t.Run("apart "+string(apart), func(t *testing.T) {
			f := newFixtureOf(t, store.CreateOptions{Apart: apart})
			var captures []*store.Capture
			var want []secondWanted
			for i := range 12 {
				name := []string{"seedbank", "orchard", ""}[i%3]
				in := tarOf(t,
					file{name: "catalogue", content: bytes.Repeat([]byte("bean, pea, leek\n"), 4000)},
					file{name: "lots", content: random(byte(i/6), 150_000)},
					file{name: "seeds", content: random(byte(20+i), 300*i)},
					file{name: "small", content: []byte("bean")},
				)
				c, err := f.Capture(t.Context(), store.CaptureOptions{Name: name, Taken: time.Date(2026, 3, 14, 2, i, 0, 0, time.UTC), Volumes: []store.VolumeInput{stream(in)}})
				if err != nil {
					t.Fatal(err)
				}
				sum := sha256.Sum256(in)
				captures = append(captures, c)
				want = append(want, secondWanted{ID: c.ID, SHA256: []string{hex.EncodeToString(sum[:])}, Paths: []string{"catalogue", "lots", "seeds", "small"}})
			}
			check := func(what string, want []secondWanted) {
				t.Helper()
				r := secondOf(t, f)
				if what != "moved" {
					if _, err := checkSecond(r, want); err != nil {
						t.Errorf("%s: %v", what, err)
					}
				}
				if err := checkSecondLengths(r); err != nil {
					t.Errorf("%s: %v", what, err)
				}
				if apart == store.Together {
					return
				}
				if err := checkSecondApart(r); err != nil {
					t.Errorf("%s: %v", what, err)
				}
			}
			check("captured", want)
			f.dropTables()
			if _, err := f.RebuildTables(t.Context()); err != nil {
				t.Fatal(err)
			}
			check("rebuilt", want)
			f.retire(captures[0], captures[1], captures[2], captures[4], captures[7])
			if out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.001}); out.Moved == 0 {
				t.Errorf("%d slabs were moved: that tests little", out.Moved)
			}
			check("moved", nil)
			for i := range 20 { // so that tables are merged as well
				c := f.capture(random(byte(100+i), 500))
				if i == 0 && len(f.restore(c)) != 500 {
					t.Error("restored something else")
				}
			}
			check("moved", nil)
			// What was captured under a name is known under it after all that.
			in := random(1, 150_000)
			again, err := f.Capture(t.Context(), store.CaptureOptions{Name: "orchard", Volumes: []store.VolumeInput{stream(tarOf(t, file{name: "lots", content: in}))}})
			if err != nil || again.Added > 20_000 {
				t.Errorf("what is known adds %d bytes, %v", again.Added, err)
			}
		})
	}
}
