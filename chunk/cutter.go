package chunk

import (
	"io"
)

// cutterBuffer is how many bytes a Cutter reads at a time: so few that they are
// still in a core's own cache when the last of them are copied into a chunk.
const cutterBuffer = 256 << 10

// A Cutter cuts contents into chunks, one content after another. Its memory,
// about 300 KiB, is kept from one to the next. It is not safe for concurrent
// use.
type Cutter struct {
	params  Params
	scanner *scanner
	r       io.Reader
	err     error // that ended r

	// data is a window of the bytes before, then those that were read; nil until
	// there is something to read.
	data   []byte
	places []uint64 // as search finds them
	at     int      // bytes read that are part of a chunk already
	end    int      // bytes read
}

// NewCutter returns a Cutter that has nothing to cut before its first Reset.
func NewCutter(p Params) (*Cutter, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	return &Cutter{params: p, scanner: newScanner(p), err: io.EOF}, nil
}

// Reset turns to the content that r holds, up to io.EOF. What is left of the
// content before is abandoned.
func (c *Cutter) Reset(r io.Reader) {
	c.r, c.err = r, nil
	c.at, c.end = 0, 0
}

// Next returns the next chunk of the content, and io.EOF after the last one.
// It stores the chunk in buf[:0] if the capacity of buf is at least Max(), so
// that nothing is allocated, and may allocate otherwise. An error of the
// reader is returned as it is, now and by every further call until Reset.
func (c *Cutter) Next(buf []byte) ([]byte, error) {
	chunk := buf[:0]
	for {
		if c.at == c.end {
			err := c.fill(len(chunk))
			if err == io.EOF && len(chunk) > 0 {
				return chunk, nil
			}
			if err != nil {
				return nil, err
			}
		}
		n, whole := c.cut(len(chunk))
		chunk = append(chunk, c.data[window+c.at:][:n]...)
		c.at += n
		if whole {
			return chunk, nil
		}
	}
}

// cut says how many of the bytes at hand belong to a chunk that has the given
// length so far, and whether it ends with them.
func (c *Cutter) cut(length int) (n int, whole bool) {
	limit := min(c.end, c.at+c.params.Max()-length)
	place := first(c.places, max(c.at, c.at+c.params.Min()-length-1), limit)
	if place < limit {
		return place + 1 - c.at, true
	}
	return limit - c.at, limit == c.at+c.params.Max()-length
}

// fill reads on, within a chunk that has the given length so far.
func (c *Cutter) fill(length int) error {
	if c.data == nil {
		c.data = make([]byte, window+cutterBuffer+overrun)
		c.places = make([]uint64, (cutterBuffer+overrun)/64+1)
	}
	copy(c.data[:window], c.data[c.end:c.end+window])
	c.at, c.end = 0, 0
	c.read(c.data[window : window+cutterBuffer])
	if c.err != nil && (c.err != io.EOF || c.end == 0) {
		c.end = 0
		return c.err
	}
	end := c.end
	if c.err == io.EOF {
		end-- // where the chunk ends anyway
	}
	c.scanner.search(c.data, max(0, c.params.Min()-length-1), end, c.places)
	return nil
}

// maxEmptyReads is how many reads without bytes or error are borne, as in
// package bufio.
const maxEmptyReads = 100

// read fills p, or as much as there is before an error, which it keeps.
func (c *Cutter) read(p []byte) {
	for empty := 0; c.end < len(p) && c.err == nil; {
		var n int
		n, c.err = c.r.Read(p[c.end:])
		c.end += n
		if n > 0 {
			empty = 0
		} else if empty++; empty == maxEmptyReads && c.err == nil {
			c.err = io.ErrNoProgress
		}
	}
}
