package store_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
)

// TestTableDiffersFromSlab: verifying finds a table that says another group of a slab, or
// another frame to be padding, than the slab itself.
func TestTableDiffersFromSlab(t *testing.T) {
	for what, change := range map[string]func(*format.SlabRecord){
		"nothing":        nil,
		"group":          func(r *format.SlabRecord) { r.Group = make([]byte, 16) },
		"padding":        func(r *format.SlabRecord) { r.Frames[0].Padding = true },
		"padding zeroes": func(r *format.SlabRecord) { r.Padding = make([]byte, 9) },
	} {
		f := newForge(t)
		f.forgeSlab(forgedSlab{frames: []forgedFrame{{chunks: [][]byte{bean}}}, record: change})
		f.tables()
		r, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{})
		if err != nil {
			t.Fatal(err)
		}
		report, err := r.Verify(t.Context(), store.VerifyOptions{})
		if err != nil {
			t.Fatal(err)
		}
		found := len(report.Damage) == 1 && strings.Contains(report.Damage[0].Problem, "says of it what it does not hold")
		if want := what == "group" || what == "padding"; found != want || !want && len(report.Damage) > 0 {
			t.Errorf("%s: %+v", what, report.Damage)
		}
		r.Close()
	}
}

// TestRecipeNamesPadding: no writer makes such a capture. It is read as any other, and nothing
// that is needed goes.
func TestRecipeNamesPadding(t *testing.T) {
	f := newForge(t)
	rest := random(3, 60_000)
	var table format.SlabTable
	for i, c := range [][]byte{rest, bean} {
		sealed := uint32(len(f.zstd.EncodeAll(c, nil)) + crypt.Overhead)
		table.Frames = append(table.Frames, format.Frame{Kind: format.Zstd, Sealed: sealed, Chunks: []uint32{uint32(len(c))}, Padding: i == 1})
	}
	id := f.forgeSlab(forgedSlab{
		frames: []forgedFrame{{chunks: [][]byte{rest}}, {chunks: [][]byte{bean}}}, table: table.Encode(),
		record: func(r *format.SlabRecord) { r.Frames[1].Padding = true },
	})
	v := f.volumeOf(members(t, regular("catalogue", len(bean))), bean)
	named := f.recipe(id, 1, bean)
	v.Contents = &named
	f.capture(nil, v)
	f.tables()
	r, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for range 2 {
		report, err := r.Verify(t.Context(), store.VerifyOptions{Full: true})
		if err != nil || !report.OK {
			t.Errorf("%+v, %v", report, err)
		}
		if _, err := r.Usage(t.Context()); err != nil && !errors.Is(err, store.ErrDamaged) {
			t.Error(err)
		}
		if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.001}); err != nil {
			t.Error(err)
		}
	}
}
