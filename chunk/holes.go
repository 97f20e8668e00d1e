package chunk

import "io"

// A HoleReader is a reader that knows of stretches of zeros ahead, such as the holes of a
// sparse file, so that nobody has to look at them. Reading gives the zeros as well.
type HoleReader interface {
	io.Reader

	// Hole gives how many of the next bytes are known to be zeros; 0 where it knows of none.
	Hole() int64

	// Skip passes over n bytes, at most as many as Hole just gave.
	Skip(n int64)
}

// leastHole is the length, in bytes, from which a hole is not read: to read fewer zeros
// takes no longer than to pass over them.
const leastHole = 64 << 10

// Zeros gives how many of the next chunks are known to hold nothing but zeros without
// that anybody looks at them, and passes over those: each has Min() bytes, for the
// fingerprint of zeros is zero, so that they are cut as early as may be. The same chunks
// come from Next where Zeros is not asked. It gives 0 where the content's reader is no
// [HoleReader].
func (c *Cutter) Zeros() int64 {
	if c.at == c.end && c.zeros == 0 && c.err == nil {
		c.lookForHole()
	}
	if c.regain(); c.at < c.end {
		return 0
	}
	n := c.zeros / int64(c.params.Min())
	c.zeros -= n * int64(c.params.Min())
	return n
}

// lookForHole takes a hole over from the reader, if it is at one. Its zeros come behind
// the bytes at hand.
func (c *Cutter) lookForHole() bool {
	h, ok := c.r.(HoleReader)
	if !ok {
		return false
	}
	if n := h.Hole(); n >= leastHole {
		h.Skip(n)
		c.zeros = n
	}
	return c.zeros > 0
}

// regain takes zeros that are at hand back into the hole whose beginning they are.
func (c *Cutter) regain() {
	if c.zeros > 0 && c.at >= c.filled {
		c.zeros += int64(c.end - c.at)
		c.at = c.end
	}
}

// fillZeros puts zeros of a hole at hand, behind what is left: enough for a chunk that has
// the given length to end, if the hole is long enough. Once it has its shortest length, it
// ends where the whole window is zeros, or before.
func (c *Cutter) fillZeros(length int) {
	n := int(min(int64(max(c.params.Min()-length, 0)+window), c.zeros, int64(cutterBuffer-c.end)))
	c.filled = c.end
	clear(c.data[window+c.end:][:n])
	c.end += n
	c.zeros -= int64(n)
}
