package store_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"testing"
	"testing/fstest"
	"time"

	"github.com/kistarchive/kist/store"
)

// TestSecondReaderOfNew has the second reader read what the library writes
// today: the golden repository is of its own day.
func TestSecondReaderOfNew(t *testing.T) {
	f := newFixture(t)
	junk := append(tarOf(t, file{name: "a", content: []byte("bean")}), random(3, 200_000)...)
	var many [2][]file
	for i := range 400 {
		for version := range many {
			content := random(byte(i%200*(version*i%2+1)), i*13)
			many[version] = append(many[version], file{name: fmt.Sprintf("shelf/%03d", i), content: content})
		}
	}
	large := []file{{name: "zeros", content: make([]byte, 1<<20)}, {name: "seeds", content: random(1, 3<<20)}}
	var want []secondWanted
	for version, streams := range [][][]byte{
		{tarOf(t, large...), tarOf(t, many[0]...), nil, random(9, 100_000)},
		{tarOf(t, large...), tarOf(t, many[1]...), junk, random(9, 100_001)},
	} {
		var volumes []store.VolumeInput
		var w secondWanted
		for i, b := range streams {
			volumes = append(volumes, named(fmt.Sprintf("volume-%d", i), b))
			sum := sha256.Sum256(b)
			w.SHA256 = append(w.SHA256, hex.EncodeToString(sum[:]))
		}
		c, err := f.Capture(t.Context(), store.CaptureOptions{Volumes: volumes, Taken: time.Date(2026, 3, 14, 2, version, 0, 5e8, time.UTC)})
		if err != nil {
			t.Fatal(err)
		}
		w.ID, w.Paths = c.ID, []string{"zeros", "seeds"}
		want = append(want, w)
	}
	whole := fstest.MapFS{}
	for name, b := range objects(t, f.mem) {
		whole[name] = &fstest.MapFile{Data: b}
	}
	var key bytes.Buffer
	if _, err := f.key.WriteTo(&key); err != nil {
		t.Fatal(err)
	}
	r, err := openSecond(whole, "key-file", key.Bytes(), zstdPackage(t))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := checkSecond(r, want); err != nil {
		t.Error(err)
	}
	frames := 0
	for _, s := range r.slabs {
		frames = max(frames, len(s.frames))
	}
	if frames < 4 {
		t.Errorf("the longest slab has %d frames: that tests little", frames)
	}
}
