package give

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"runtime"
	"sync/atomic"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// TestOutlet passes pieces of all lengths on, and counts what is held.
func TestOutlet(t *testing.T) {
	for _, hashed := range []bool{false, true} {
		var got, want bytes.Buffer
		held := make(chan int, 1)
		held <- 0
		add := func(n int) { held <- <-held + n }
		o := newOutlet(&got, hashed)
		for i, n := range []int{0, 1, 512, outletDirect - 1, outletDirect, 0, 3, 2 * outletBlock, outletBlock - 5, 7, 100_000, 9} {
			for range 10 {
				p := bytes.Repeat([]byte{byte(i), 1}, n)[:n]
				want.Write(p)
				if err := o.pass(p, func() func() { add(1); return func() { add(-1); clear(p) } }); err != nil {
					t.Fatal(err)
				}
				if n < outletDirect {
					clear(p) // it was copied
				}
			}
		}
		sum := sha256.Sum256(want.Bytes())
		record := &format.Volume{Length: uint64(want.Len()), SHA256: sum[:]}
		if err := o.finish(record); err != nil || !bytes.Equal(got.Bytes(), want.Bytes()) {
			t.Errorf("hashed %v: %d bytes of %d, %v", hashed, got.Len(), want.Len(), err)
		}
		if n := <-held; n != 0 {
			t.Errorf("hashed %v: %d pieces are still held", hashed, n)
		}
	}
}

func TestOutletOtherStream(t *testing.T) {
	sum := sha256.Sum256([]byte("beans"))
	for name, record := range map[string]*format.Volume{
		"length": {Length: 6, SHA256: sum[:]}, "hash": {Length: 5, SHA256: make([]byte, 32)},
	} {
		o := newOutlet(&bytes.Buffer{}, true)
		o.pass([]byte("beans"), nil)
		if err := o.finish(record); !errors.Is(err, format.ErrDamaged) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// shortWriter fails after some bytes.
type shortWriter struct {
	left int
	err  error
}

func (s *shortWriter) Write(p []byte) (int, error) {
	if s.left -= len(p); s.left < 0 {
		return 0, s.err
	}
	return len(p), nil
}

// TestOutletFails gives the writer's error, soon or at the end.
func TestOutletFails(t *testing.T) {
	full := errors.New("the disk is full")
	for _, room := range []int{0, 1 << 20, 63 << 20} {
		o := newOutlet(&shortWriter{room, full}, true)
		var err error
		for n := 0; err == nil && n < 64; n++ {
			err = o.pass(make([]byte, 1<<20), func() func() { return func() {} })
		}
		if err == nil {
			err = o.finish(&format.Volume{})
		}
		o.abandon()
		if err != full {
			t.Errorf("room for %d: %v", room, err)
		}
	}
}

// stuckWriter takes nothing until it is let go.
type stuckWriter chan struct{}

func (s stuckWriter) Write(p []byte) (int, error) {
	<-s
	return len(p), nil
}

// TestOutletHoldsLittle counts what is held while nothing is written: so many bytes, however long pieces are, or one that is longer.
func TestOutletHoldsLittle(t *testing.T) {
	for _, test := range []struct{ piece, held int }{
		{1 << 20, 8}, {3 << 20, 2}, {5 << 20, 1}, {format.MaxFrameRaw, 1}, {outletBytes + 1, 1}, {outletDirect, outletBlocks + 1},
	} {
		stuck := make(stuckWriter)
		o, piece := newOutlet(stuck, false), make([]byte, test.piece)
		held := make(chan int, 100)
		passed := make(chan error)
		go func() {
			for i := range 20 {
				if err := o.pass(piece, func() func() { held <- i; return func() {} }); err != nil {
					passed <- err
				}
			}
			close(passed)
		}()
		for range test.held + 1 { // the last of which waits
			<-held
		}
		for range 1000 { // more than there may be would come
			runtime.Gosched()
		}
		if n := len(held); n != 0 {
			t.Errorf("pieces of %d bytes: %d more are held than %d", test.piece, n, test.held)
		}
		close(stuck)
		if err := <-passed; err != nil {
			t.Error(err)
		}
		o.abandon()
	}
}

// TestOutletReleases: of what was passed to a writer that fails nothing stays held.
func TestOutletReleases(t *testing.T) {
	full := errors.New("the disk is full")
	piece := make([]byte, 1<<20)
	for range 50 { // as what waits is another each time
		var held atomic.Int32
		o := newOutlet(&shortWriter{3 << 20, full}, false)
		var err error
		for err == nil {
			held.Add(1)
			err = o.pass(piece, func() func() { return func() { held.Add(-1) } })
		}
		o.abandon()
		if n := held.Load(); n != 0 || err != full {
			t.Fatalf("%d pieces are still held, %v", n, err)
		}
	}
}
