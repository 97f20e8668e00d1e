package chunk

import "sync"

// partLength is how many bytes are searched by one goroutine at a time: some
// 20 microseconds of work. It is a multiple of lanes*step, so that no part runs
// over into the next one.
const partLength = 32 << 10

// crew searches a stretch in parts, several at the same time. A goroutine of it
// that gets no core in time is not waited for: whoever has one takes its parts.
type crew struct {
	scanner *scanner
	size    int    // goroutines, the caller's included
	help    func() // c.work, so that starting it needs no memory

	mu      sync.Mutex
	idle    sync.Cond // on mu: no part is being searched
	helpers int       // that have been started and have not ended
	busy    int       // parts being searched
	data    []byte
	places  []uint64
	at, to  int // what is left
}

func newCrew(s *scanner) *crew {
	c := &crew{scanner: s, size: 1}
	c.idle.L = &c.mu
	c.help = func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.work()
		c.helpers--
	}
	return c
}

// search does what the scanner's search does.
func (c *crew) search(data []byte, from, to int, places []uint64) {
	if c.size == 1 || to-from < 2*partLength {
		c.scanner.search(data, from, to, places)
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.data, c.places, c.at, c.to = data, places, from&^63, to
	for parts := (to - from) / partLength; c.helpers < min(parts, c.size)-1; c.helpers++ {
		go c.help()
	}
	c.work()
	for c.busy > 0 {
		c.idle.Wait()
	}
}

// work searches parts until none is left. c.mu is held before and after it.
func (c *crew) work() {
	for c.at < c.to {
		data, places, from := c.data, c.places, c.at
		to := min(from+partLength, c.to)
		c.at = to
		c.busy++
		c.mu.Unlock()
		c.scanner.search(data, from, to, places)
		c.mu.Lock()
		if c.busy--; c.busy == 0 {
			c.idle.Signal()
		}
	}
}
