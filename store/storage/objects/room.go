package objects

import (
	"context"
	"slices"
	"sync"
)

const (
	// blockSize is the length, in bytes, of the pieces of memory in which a content is held.
	blockSize = 1 << 20

	// mostBlocks is how many the longest content takes that goes out in one request.
	mostBlocks = MaxWhole / blockSize

	// defaultHeld is two slabs of 32 MiB: one is sent while the next one is filled, or both are. On a line of 8 MB/s three got no more
	// done, and a capture then took 256 MiB.
	defaultHeld = 64 << 20
)

// room is the memory that contents have together, in blocks. Of those that are being filled, the one that began first may have what is
// left, and others what is left beyond what that one may yet need: so it never waits for one that waits itself, only for what is sent.
type room struct {
	most int // how many blocks one content has at the most

	mu      sync.Mutex
	total   int
	left    int           // how many nobody has
	spare   [][]byte      // of these, what was used before
	filling []*body       // in the order in which they began
	more    chan struct{} // closed once more may be had
}

func newRoom(total, most int) *room {
	return &room{total: total, left: total, most: most, more: make(chan struct{})}
}

// take gives a content that is being filled a further block, once it may have it.
func (r *room) take(ctx context.Context, b *body) ([]byte, error) {
	for {
		block, more := r.tryTake(b)
		if block != nil {
			return block, nil
		}
		select {
		case <-more:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// tryTake gives a block, or what is closed once it is worth another try.
func (r *room) tryTake(b *body) (block []byte, more <-chan struct{}) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !slices.Contains(r.filling, b) {
		r.filling = append(r.filling, b)
	}
	needed := 0 // by the first one
	if first := r.filling[0]; first != b {
		needed = r.most - first.held
	}
	if r.left <= needed {
		return nil, r.more
	}
	r.left--
	b.held++
	if n := len(r.spare); n > 0 {
		block, r.spare = r.spare[n-1], r.spare[:n-1]
		return block, nil
	}
	return make([]byte, blockSize), nil
}

// filled says that a content takes no more.
func (r *room) filled(b *body) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.filling = slices.DeleteFunc(r.filling, func(o *body) bool { return o == b })
	r.tell()
}

// giveBack takes all blocks of a content. They are used again while others are held, and let go with the last of them.
func (r *room) giveBack(b *body, blocks [][]byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.left += b.held
	b.held = 0
	r.spare = append(r.spare, blocks...)
	if r.left == r.total {
		r.spare = nil
	}
	r.tell()
}

// tell has all try again that wait, with mu held.
func (r *room) tell() {
	close(r.more)
	r.more = make(chan struct{})
}
