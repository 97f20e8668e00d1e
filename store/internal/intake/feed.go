package intake

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
)

// feedPieces is how many sealed pieces, of about a frame's length, there are of a
// slab: one being filled, one being written, and those between.
const feedPieces = 4

// pieceLength is enough for a frame that can't be compressed, in bytes.
const pieceLength = format.FrameTarget + 4<<10

// pieceOf is the same for frames that are closed before they hold more than so many bytes.
func pieceOf(target int) int { return pieceLength - format.FrameTarget + target }

// feed hands a slab to the storage while it is being filled: its pieces are used
// again at once, while they are in a core's cache, and no slab is ever in memory
// as a whole.
type feed struct {
	ctx   context.Context // of the session; when it ends, so does the reading
	full  chan []byte     // pieces in order; closed behind the last one
	free  chan []byte     // pieces to fill
	rest  []byte          // of the piece that Read is at
	now   []byte          // that piece
	ended chan struct{}   // closed when the storage is done with the slab
	err   error           // of the storage, once ended
	usual int             // length of most pieces, in bytes
}

// newPieces makes the pieces of a feed, yet without memory. Another feed may use them
// when all of the slab has been put.
func newPieces() chan []byte {
	free := make(chan []byte, feedPieces)
	for range feedPieces {
		free <- nil
	}
	return free
}

// newFeed begins to put the slab of that name. Most of its pieces are of that length.
func newFeed(ctx context.Context, to storage.Storage, name string, free chan []byte, usual int) *feed {
	f := &feed{ctx: ctx, full: make(chan []byte, feedPieces), free: free, ended: make(chan struct{}), usual: usual}
	go func() {
		defer close(f.ended)
		if err := to.Put(ctx, name, f); err != nil {
			f.err = fmt.Errorf("writing slab %s: %w", name, err)
		}
	}()
	return f
}

// piece gives an empty piece for n bytes, once there is one.
func (f *feed) piece(n int) ([]byte, error) {
	select {
	case b := <-f.free:
		return room(b, n, f.usual), nil
	case <-f.ended:
		return nil, f.failure()
	case <-f.ctx.Done():
		return nil, context.Cause(f.ctx)
	}
}

// send passes a filled piece on.
func (f *feed) send(b []byte) { f.full <- b } // never blocks: it has room for all pieces

var errCutShort = errors.New("writing a slab: the storage took a part of it for the whole")

// failure says why the storage was done before the slab was complete.
func (f *feed) failure() error {
	if f.err != nil {
		return f.err
	}
	return errCutShort
}

// end says that the slab is complete.
func (f *feed) end() { close(f.full) }

// wait gives what became of the slab.
func (f *feed) wait() error {
	<-f.ended // Put honours its context
	return f.err
}

// failed gives what became of the slab if that is known and not good, and does not wait.
func (f *feed) failed() error {
	select {
	case <-f.ended:
		return f.err
	default:
		return nil
	}
}

// next gives the next piece, and io.EOF behind the last one.
func (f *feed) next() ([]byte, error) {
	select {
	case b, ok := <-f.full:
		if !ok {
			return nil, io.EOF
		}
		return b, nil
	case <-f.ctx.Done():
		return nil, context.Cause(f.ctx)
	}
}

// release gives a piece back.
func (f *feed) release(b []byte) { f.free <- b } // never blocks: it has room for all pieces

// Read gives the slab to a storage that reads it.
func (f *feed) Read(p []byte) (int, error) {
	if len(f.rest) == 0 {
		if f.now != nil {
			f.release(f.now)
			f.now = nil
		}
		b, err := f.next()
		if err != nil {
			return 0, err
		}
		f.now, f.rest = b, b
	}
	n := copy(p, f.rest)
	f.rest = f.rest[n:]
	return n, nil
}

// WriteTo gives the slab to a storage that passes it on, without a copy between.
func (f *feed) WriteTo(w io.Writer) (int64, error) {
	var length int64
	for {
		b, err := f.next()
		if err == io.EOF {
			return length, nil
		}
		if err != nil {
			return length, err
		}
		n, err := w.Write(b)
		length += int64(n)
		f.release(b)
		if err != nil {
			return length, err
		}
	}
}
