package intake

import (
	"errors"
	"testing"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/names"
)

// TestRecheck flips a bit of a frame between hashing and compressing: the session
// fails, and no table lists the frame. Without reading back it goes unseen, so that
// the test would show if nothing were flipped.
func TestRecheck(t *testing.T) {
	flips := map[string]func(*frame){
		"the first bit":   func(f *frame) { f.raw[0] ^= 1 },
		"the last bit":    func(f *frame) { f.raw[len(f.raw)-1] ^= 0x80 },
		"of the identity": func(f *frame) { f.ids[len(f.ids)-1] ^= 2 },
		"too short":       func(f *frame) { f.raw = f.raw[:len(f.raw)-1] },
		"too long":        func(f *frame) { f.raw = append(f.raw, 0) },
	}
	for name, flip := range flips {
		for _, off := range []bool{false, true} {
			t.Run(name+map[bool]string{true: ", not read back"}[off], func(t *testing.T) {
				r := newRepo(t)
				in, err := New(t.Context(), Config{
					Storage: r.storage, Repository: r.id, Keys: r.keys, Index: known.New(), MaxChunk: r.maxChunk,
					Workers: r.workers, TableName: r.tableName, NoRecheck: off, flip: flip,
				})
				if err != nil {
					t.Fatal(err)
				}
				s := in.Stream(Contents)
				mustPut(t, in, s, noise(1, 3, 5000)...)
				_, err = in.Close()
				if off {
					if err != nil {
						t.Fatalf("not read back: %v", err)
					}
					return
				}
				if !errors.Is(err, ErrChanged) {
					t.Fatalf("Close gave %v", err)
				}
				if err := in.Abandon(t.Context()); err != nil {
					t.Fatal(err)
				}
				if infos, _ := r.storage.List(t.Context(), names.Tables); len(infos) > 0 {
					t.Errorf("tables %v", infos)
				}
			})
		}
	}
}

// TestRecheckAllocates nothing for a frame, once it has its buffer.
func TestRecheckAllocates(t *testing.T) {
	c, f := recheckCase(t, benchText(format.FrameTarget))
	if n := testing.AllocsPerRun(5, func() { mustCheck(t, c, f) }); n > 0 {
		t.Errorf("%v allocations a frame", n)
	}
}

func BenchmarkRecheck(b *testing.B) {
	for name, raw := range map[string][]byte{"text": benchText(format.FrameTarget), "noise": noise(4, 1, format.FrameTarget)[0]} {
		b.Run(name, func(b *testing.B) {
			c, f := recheckCase(b, raw)
			b.SetBytes(int64(len(raw)))
			b.ReportAllocs()
			for b.Loop() {
				mustCheck(b, c, f)
			}
		})
	}
}

// recheckCase gives a compressed frame of chunks of average length.
func recheckCase(t testing.TB, raw []byte) (*rechecker, *frame) {
	keys := newRepo(t).keys
	c, err := newRechecker(keys)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.close)
	pack, err := newCompressor(zstd.SpeedDefault, testMaxChunk)
	if err != nil {
		t.Fatal(err)
	}
	f, h := new(frame), keys.NewHasher()
	const average = testMaxChunk / 4
	for rest := raw; len(rest) > 0; {
		n := min(average, len(rest))
		f.add(rest[:n], h.Sum(rest[:n]))
		rest = rest[n:]
	}
	f.packed = pack.encoder(f).EncodeAll(f.raw, nil)
	mustCheck(t, c, f)
	return c, f
}

func mustCheck(t testing.TB, c *rechecker, f *frame) {
	if err := c.check(f); err != nil {
		t.Fatal(err)
	}
}
