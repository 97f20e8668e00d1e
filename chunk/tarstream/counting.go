package tarstream

import (
	"io"
	"sync"
)

// counting counts what is read and keeps the error that ended it. Unlike other
// readers here it is safe for concurrent use: zstd reads ahead.
type counting struct {
	r   io.Reader
	mu  sync.Mutex
	n   int64
	err error
}

func (c *counting) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.n += int64(n)
	c.err = err
	return n, err
}

func (c *counting) count() int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.n
}

// failure returns the error that ended the reading, other than io.EOF.
func (c *counting) failure() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.err == io.EOF {
		return nil
	}
	return c.err
}
