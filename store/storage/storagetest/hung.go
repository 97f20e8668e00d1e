package storagetest

import (
	"sync"

	"github.com/kistarchive/kist/store/storage/files"
)

// Hung lets the calls of file systems wait, as those into a share whose server is down, which nothing can interrupt: until
// they are let go. The zero Hung lets all through. Its methods may be called at once.
type Hung struct {
	mu    sync.Mutex
	until chan struct{} // nil: nothing waits
	left  int           // calls that are let through first
	hung  int
}

// Place gives a place whose calls may be made to wait.
func (h *Hung) Place(p files.Place) files.Place { return files.Around(p, h.begin) }

func (h *Hung) begin(string, string) func() {
	h.mu.Lock()
	until := h.until
	if h.left--; h.left >= 0 {
		until = nil
	}
	if until != nil {
		h.hung++
	}
	h.mu.Unlock()
	if until != nil {
		<-until
	}
	return func() {}
}

// From lets n calls through, and has all others wait.
func (h *Hung) From(n int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.until, h.left, h.hung = make(chan struct{}), n, 0
}

// Release lets all go, and gives how many waited.
func (h *Hung) Release() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.until != nil {
		close(h.until)
		h.until = nil
	}
	return h.hung
}
