package intake

import (
	"bytes"
	"io"
)

// chainBlock is the usual length of a chain's blocks, in bytes.
const chainBlock = 4 << 20

// chain is a long buffer made of blocks, so that it grows without being copied.
type chain struct {
	blocks [][]byte
	spare  [][]byte // blocks to use again
	length int
}

// grow gives the last block, with room for n bytes more. What is appended to it
// is handed to keep.
func (c *chain) grow(n int) []byte {
	if k := len(c.blocks); k > 0 && cap(c.blocks[k-1])-len(c.blocks[k-1]) >= n {
		return c.blocks[k-1]
	}
	var b []byte
	if k := len(c.spare); k > 0 && cap(c.spare[k-1]) >= n {
		b, c.spare = c.spare[k-1][:0], c.spare[:k-1]
	} else {
		b = make([]byte, 0, max(n, chainBlock))
	}
	c.blocks = append(c.blocks, b)
	return b
}

// keep takes back the block that grow gave.
func (c *chain) keep(b []byte) {
	k := len(c.blocks) - 1
	c.length += len(b) - len(c.blocks[k])
	c.blocks[k] = b
}

// reader reads all of it.
func (c *chain) reader() io.Reader {
	readers := make([]io.Reader, len(c.blocks))
	for i, b := range c.blocks {
		readers[i] = bytes.NewReader(b)
	}
	return io.MultiReader(readers...)
}

// reset empties the chain and keeps its blocks for later.
func (c *chain) reset() {
	c.spare = append(c.spare, c.blocks...)
	c.blocks, c.length = c.blocks[:0], 0
}
