// Package storagetest tests implementations of [storage.Storage] ([Run]), and what is
// built on them ([Faulty]).
package storagetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/kistarchive/kist/store/storage"
)

// Kinds are the top folders that [Run] puts objects in.
func Kinds() []string { return []string{"captures", "leases", "slabs"} }

// Run tests that a storage keeps the promises of [storage.Storage], and of those of
// [storage.Clock], [storage.Anchored], [storage.Sweeper], [storage.Namer], [storage.AfterLister], [storage.FrontReader] and
// [storage.Dropper] that it implements. open gives an empty one, which takes objects in the folders of [Kinds] and at the top, and cleans up
// by t.Cleanup.
func Run(t *testing.T, open func(t *testing.T) storage.Storage) {
	RunFlat(t, open)
	t.Run("put under a folder's name", func(t *testing.T) { testFolderTaken(t, open(t)) })
}

// RunFlat is [Run] for a storage where folders are but parts of names, so that a folder's name may be given to an object.
func RunFlat(t *testing.T, open func(t *testing.T) storage.Storage) {
	tests := []struct {
		name string
		run  func(*testing.T, storage.Storage)
	}{
		{"put", testPut},
		{"put of every kind of reader", testReaders},
		{"put under a taken name", testTaken},
		{"put with failing content", testFailingContent},
		{"put interrupted", testInterrupted},
		{"mark", testMark},
		{"marks raced for", testMarkRace},
		{"read ranges", testRanges},
		{"list", testList},
		{"names alone", testNames},
		{"list from a name on", testListAfter},
		{"read from the front", testReadFront},
		{"drop", testDrop},
		{"list, then remove", testListRemove},
		{"remove", testRemove},
		{"absent objects", testAbsent},
		{"bad names", testBadNames},
		{"longest names", testLongestNames},
		{"ended context", testEndedContext},
		{"times", testTimes},
		{"anchor", testAnchored},
		{"what is left aside", testSweeper},
		{"many at once", testConcurrent},
		{"model", testModel},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) { test.run(t, open(t)) })
	}
}

func testPut(t *testing.T, s storage.Storage) {
	for _, size := range []int{0, 1, 1000, 1<<20 - 1, 1 << 20, 1<<20 + 1, 3<<20 + 5} {
		name := fmt.Sprintf("slabs/%02x/size-%d", size%256, size)
		mustPut(t, s, name, pattern(size))
		wantObject(t, s, name, pattern(size))
	}
	mustPut(t, s, "kist.json", []byte("{}"))
	wantObject(t, s, "kist.json", []byte("{}"))
}

func testReaders(t *testing.T, s storage.Storage) {
	want := pattern(70_000)
	readers := map[string]func() io.Reader{
		"with-writer-to": func() io.Reader { return bytes.NewReader(want) },
		"plain":          func() io.Reader { return struct{ io.Reader }{bytes.NewReader(want)} },
		"one-byte":       func() io.Reader { return iotest.OneByteReader(bytes.NewReader(want)) },
		"halves":         func() io.Reader { return iotest.HalfReader(bytes.NewReader(want)) },
		"data-with-eof":  func() io.Reader { return iotest.DataErrReader(bytes.NewReader(want)) },
	}
	for name, reader := range readers {
		if err := s.Put(t.Context(), "slabs/"+name, reader()); err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		wantObject(t, s, "slabs/"+name, want)
	}
}

func testTaken(t *testing.T, s storage.Storage) {
	mustPut(t, s, "captures/one", []byte("first"))
	err := s.Put(t.Context(), "captures/one", strings.NewReader("second"))
	wantError(t, err, storage.ErrExists, "captures/one")
	wantObject(t, s, "captures/one", []byte("first"))
	wantNames(t, s, "", "captures/one")

	mustMark(t, s, "leases/one", []byte("first"))
	err = s.Put(t.Context(), "leases/one", strings.NewReader("second"))
	wantError(t, err, storage.ErrExists, "leases/one")
}

func testFolderTaken(t *testing.T, s storage.Storage) {
	mustPut(t, s, "slabs/ab/one", nil)
	err := s.Put(t.Context(), "slabs/ab", strings.NewReader("a folder's name"))
	wantError(t, err, storage.ErrExists, "slabs/ab")
	err = s.Mark(t.Context(), "slabs/ab", []byte("a folder's name"))
	wantError(t, err, storage.ErrExists, "slabs/ab")
}

func testFailingContent(t *testing.T, s storage.Storage) {
	broken := errors.New("the source is broken")
	for _, before := range []int{0, 1, 1 << 20, 1<<20 + 1} {
		for _, cause := range []error{broken, io.ErrUnexpectedEOF} {
			content := io.MultiReader(bytes.NewReader(pattern(before)), iotest.ErrReader(cause))
			err := s.Put(t.Context(), "slabs/broken", content)
			wantError(t, err, cause, "slabs/broken")
			wantNames(t, s, "")
			wantAbsent(t, s, "slabs/broken")
		}
	}
}

// testInterrupted ends the context while the content is read.
func testInterrupted(t *testing.T, s storage.Storage) {
	for _, blocks := range []int{0, 1, 3} {
		ctx, cancel := context.WithCancel(t.Context())
		content := io.MultiReader(bytes.NewReader(pattern(blocks<<20)), &onward{left: readAfterEnd, first: cancel})
		err := s.Put(ctx, "slabs/cut", content)
		wantError(t, err, context.Canceled, "slabs/cut")
		wantNames(t, s, "")
		wantAbsent(t, s, "slabs/cut")
	}
}

// readAfterEnd, in bytes, is how much a storage may read of a content after its
// context ended: far more than any will have under way.
const readAfterEnd = 256 << 20

// errHeedless is given to a storage that read on.
var errHeedless = errors.New("the content was read on and on after the context had ended")

// onward calls first when it is first read, and gives zeros, but not without end.
type onward struct {
	left  int
	first func()
}

func (o *onward) Read(p []byte) (int, error) {
	o.first()
	if o.left < len(p) {
		return 0, errHeedless
	}
	clear(p)
	o.left -= len(p)
	return len(p), nil
}

func testRanges(t *testing.T, s storage.Storage) {
	want := pattern(3<<20 + 100)
	mustPut(t, s, "slabs/r", want)
	size := int64(len(want))
	tests := []struct {
		off, length int64
		err         error
	}{
		{0, 0, nil}, {0, 1, nil}, {0, size, nil}, {1, size - 1, nil}, {size - 1, 1, nil}, {size, 0, nil},
		{1<<20 - 1, 2, nil}, {1<<20 - 1, 1<<20 + 2, nil}, {5, 2<<20 + 7, nil},
		{0, size + 1, io.ErrUnexpectedEOF}, {1, size, io.ErrUnexpectedEOF}, {size, 1, io.ErrUnexpectedEOF},
		{size + 1, 0, io.ErrUnexpectedEOF}, {1 << 40, 1, io.ErrUnexpectedEOF}, {1 << 40, 0, io.ErrUnexpectedEOF},
		{-1, 1, fs.ErrInvalid}, {-1, 0, fs.ErrInvalid}, {math.MaxInt64, 1, fs.ErrInvalid},
	}
	for _, test := range tests {
		p := make([]byte, test.length)
		err := s.ReadAt(t.Context(), "slabs/r", p, test.off)
		if test.err != nil {
			wantError(t, err, test.err, "slabs/r")
			continue
		}
		if err != nil {
			t.Errorf("%d bytes from %d on: %v", test.length, test.off, err)
		} else if !bytes.Equal(p, want[test.off:test.off+test.length]) {
			t.Errorf("%d bytes from %d on: wrong content", test.length, test.off)
		}
	}
}

func testList(t *testing.T, s storage.Storage) {
	wantNames(t, s, "")
	wantNames(t, s, "slabs")
	// '-' and '.' sort before '/', so that this is not the order of a walk
	sorted := []string{
		"captures/c", "kist.json", "slabs/a-b", "slabs/a.b", "slabs/a/b", "slabs/a/c/d", "slabs/a0", "slabs/ab/x",
	}
	for _, i := range []int{3, 0, 7, 5, 1, 6, 2, 4} {
		mustPut(t, s, sorted[i], pattern(i))
	}
	wantNames(t, s, "", sorted...)
	wantNames(t, s, "slabs", sorted[2:]...)
	wantNames(t, s, "slabs/a", "slabs/a/b", "slabs/a/c/d")
	wantNames(t, s, "slabs/a/c", "slabs/a/c/d")
	wantNames(t, s, "slabs/none")
	wantNames(t, s, "leases")
	infos, err := s.List(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	for i, info := range infos {
		if got, err := s.Stat(t.Context(), info.Name); err != nil || got.Name != info.Name || got.Size != info.Size || !got.Modified.Equal(info.Modified) {
			t.Errorf("listed as %v, but Stat says %v, %v", info, got, err)
		}
		if info.Size != int64(i) {
			t.Errorf("%s: size %d, want %d", info.Name, info.Size, i)
		}
	}
}

func testListRemove(t *testing.T, s storage.Storage) {
	const count = 200
	for i := range count {
		mustMark(t, s, fmt.Sprintf("leases/%03d", i), nil)
	}
	infos, err := s.List(t.Context(), "leases")
	if err != nil || len(infos) != count {
		t.Fatalf("%d objects, %v; want %d", len(infos), err, count)
	}
	for _, info := range infos {
		if err := s.Remove(t.Context(), info.Name); err != nil {
			t.Error(err)
		}
	}
	wantNames(t, s, "")
}

func testRemove(t *testing.T, s storage.Storage) {
	for _, name := range []string{"kist.json", "captures/x", "slabs/ab/x", "slabs/a/b/c"} {
		mustPut(t, s, name, pattern(100))
		mustPut(t, s, name+"-kept", pattern(10))
		wantObject(t, s, name, pattern(100)) // it may now be held open
		if err := s.Remove(t.Context(), name); err != nil {
			t.Errorf("remove %s: %v", name, err)
		}
		wantAbsent(t, s, name)
		wantObject(t, s, name+"-kept", pattern(10))
	}
}

func testAbsent(t *testing.T, s storage.Storage) {
	for _, name := range []string{"kist.json", "captures/x", "slabs/ab/x", "slabs/a/b/c"} {
		wantAbsent(t, s, name)
	}
	mustPut(t, s, "slabs/ab/x", nil)
	for _, folder := range []string{"slabs/ab", "slabs"} {
		wantAbsent(t, s, folder)
	}
	wantObject(t, s, "slabs/ab/x", nil)
}

func testBadNames(t *testing.T, s storage.Storage) {
	for _, name := range []string{"", "/", "../x", "slabs/../x", "slabs//x", "/slabs/x", "slabs/x/", "slabs/X", "slabs/_x.part", "slabs/nul", "slabs/a:b", "a/b/c/d/e"} {
		calls := map[string]error{
			"put":    s.Put(t.Context(), name, strings.NewReader("x")),
			"mark":   s.Mark(t.Context(), name, []byte("x")),
			"read":   s.ReadAt(t.Context(), name, nil, 0),
			"remove": s.Remove(t.Context(), name),
		}
		_, calls["stat"] = s.Stat(t.Context(), name)
		if name != "" {
			_, calls["list"] = s.List(t.Context(), name)
		}
		for call, err := range calls {
			if !errors.Is(err, storage.ErrBadName) {
				t.Errorf("%s %q: got %v, want ErrBadName", call, name, err)
			}
		}
	}
	wantNames(t, s, "")
}

func testLongestNames(t *testing.T, s storage.Storage) {
	long := strings.Repeat("z", 64)
	name := "slabs/" + long + "/" + long + "/" + long
	mustPut(t, s, name, pattern(10))
	wantObject(t, s, name, pattern(10))
	wantNames(t, s, "", name)
}

func testEndedContext(t *testing.T, s storage.Storage) {
	mustPut(t, s, "captures/there", pattern(10))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	calls := map[string]error{
		"put":    s.Put(ctx, "captures/x", strings.NewReader("x")),
		"mark":   s.Mark(ctx, "captures/y", []byte("x")),
		"read":   s.ReadAt(ctx, "captures/there", make([]byte, 1), 0),
		"remove": s.Remove(ctx, "captures/there"),
	}
	_, calls["stat"] = s.Stat(ctx, "captures/there")
	_, calls["list"] = s.List(ctx, "captures")
	for call, err := range calls {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("%s: got %v, want context.Canceled", call, err)
		}
	}
	wantNames(t, s, "", "captures/there")
}

// testTimes compares the medium's times with each other, as coarse as they may be.
func testTimes(t *testing.T, s storage.Storage) {
	clock, ok := s.(storage.Clock)
	if !ok {
		t.Skip("not a storage.Clock")
	}
	before, err := clock.Now(t.Context())
	if errors.Is(err, errors.ErrUnsupported) {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	mustPut(t, s, "captures/put", pattern(10))
	mustMark(t, s, "leases/mark", pattern(10))
	after, err := clock.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	const slack = 5 * time.Second
	for _, name := range []string{"captures/put", "leases/mark"} {
		info, err := s.Stat(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		if at := info.Modified; at.Before(before.Add(-slack)) || at.After(after.Add(slack)) {
			t.Errorf("%s: written at %v, not between %v and %v", name, at, before, after)
		}
	}
	wantNames(t, s, "", "captures/put", "leases/mark")
}
