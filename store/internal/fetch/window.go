package fetch

import (
	"context"
	"sync"
)

// window bounds what a Reader has read ahead: batches that are not given out yet, of which some count as several. One gets in
// always where there is none.
type window struct {
	mu        sync.Mutex
	most, all int   // how many may be in it, and may once it has grown
	in        []int // what those count that are in it, in order
	sum       int
	left      chan struct{} // one where some left since the last look
}

func newWindow(first, all int) *window {
	return &window{most: first, all: all, left: make(chan struct{}, 1)}
}

// take waits until a batch may be read. It is for one goroutine.
func (w *window) take(ctx context.Context, weight int) error {
	for !w.tryTake(weight) {
		select {
		case <-w.left:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	return nil
}

func (w *window) tryTake(weight int) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.in) > 0 && w.sum+weight > w.most {
		return false
	}
	w.in, w.sum = append(w.in, weight), w.sum+weight
	return true
}

// next lets another batch be read in the place of the first, which is given out, and one more beside it, up to a bound.
func (w *window) next() {
	w.mu.Lock()
	w.sum -= w.in[0]
	w.in = w.in[1:]
	w.most = min(w.most+1, w.all)
	w.mu.Unlock()
	select {
	case w.left <- struct{}{}:
	default:
	}
}
