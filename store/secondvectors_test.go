package store_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"testing/fstest"
)

// TestSecondReaderOfSlotVectors has the second reader open the key slots of version 2
// that package crypt keeps: the same ones, and no others, open.
func TestSecondReaderOfSlotVectors(t *testing.T) {
	paths, err := filepath.Glob("../crypt/testdata/slots2/*.json")
	if err != nil || len(paths) < 38 {
		t.Fatalf("%d vectors: %v", len(paths), err)
	}
	counting := func(first byte, n int) (b []byte) {
		for i := range n {
			b = append(b, first+byte(i))
		}
		return b
	}
	secrets := map[string][]byte{"passphrase": []byte("golden seed bank"), "key-file": counting(0x40, 32)}
	good := 0
	for _, path := range paths {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		var v struct{ Expect, Kind, ID, Document string }
		if err := json.Unmarshal(b, &v); err != nil {
			t.Fatal(err)
		}
		if testing.Short() && v.Kind == "passphrase" && (v.Expect == "opens" || v.Expect == "wrong secret") {
			continue // deriving keys takes long under the race detector
		}
		r := &secondReader{fsys: fstest.MapFS{"keyslots/" + v.ID + ".json": {Data: []byte(v.Document)}}, id: counting(0xa0, 16)}
		root, err := r.openSlot(v.Kind, secrets[v.Kind])
		if opened := err == nil && bytes.Equal(root, counting(0, 32)); opened != (v.Expect == "opens") {
			t.Errorf("%s: %x, %v; it must be %q", path, root, err, v.Expect)
		}
		if err == nil {
			good++
		}
	}
	if good == 0 {
		t.Error("none opens")
	}
}
