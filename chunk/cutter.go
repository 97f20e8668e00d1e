package chunk

import "io"

// cutterBuffer is how many bytes a Cutter reads at a time: so few that they are
// still in a core's own cache when the last of them are copied into a chunk.
const cutterBuffer = 256 << 10

// A Cutter cuts contents into chunks, one content after another. Its memory,
// about 300 KiB, is kept from one to the next. It is not safe for concurrent
// use; [Cutter.Share] makes it use several cores.
type Cutter struct {
	params  Params
	scanner *scanner
	crew    *crew
	r       io.Reader
	err     error // that ended r

	// data is a window of the bytes before, then those that were read; nil until
	// there is something to read.
	data []byte
	at   int // bytes at hand that are part of a chunk already
	end  int // bytes at hand

	places   []uint64 // as search finds them
	searched int      // from which byte on

	zeros  int64 // of a hole, that come behind the bytes at hand
	filled int   // where zeros is not 0: from here on, those at hand are of the hole, too
}

// NewCutter returns a [Cutter] that has nothing to cut before its first Reset.
func NewCutter(p Params) (*Cutter, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	s := newScanner(p)
	return &Cutter{params: p, scanner: s, crew: newCrew(s), err: io.EOF}, nil
}

// Share lets up to n goroutines search for ends, the caller's included; there is
// one without it. The ends are the same. It pays for long contents, where the
// others have cores to run on, and must not be called between Reset and the last
// chunk.
func (c *Cutter) Share(n int) { c.crew.size = max(n, 1) }

// Reset turns to the content that r holds, up to io.EOF. What is left of the
// content before is abandoned.
func (c *Cutter) Reset(r io.Reader) {
	c.r, c.err = r, nil
	c.at, c.end, c.zeros = 0, 0, 0
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
	from := max(c.at, c.at+c.params.Min()-length-1)
	if from < c.searched {
		c.search(from)
	}
	place := first(c.places, from, limit)
	if place < limit {
		return place + 1 - c.at, true
	}
	return limit - c.at, limit == c.at+c.params.Max()-length
}

func (c *Cutter) search(from int) {
	to := c.end
	if c.err == io.EOF {
		to-- // a chunk ends there anyway
	}
	c.crew.search(c.data, from, to, c.places)
	c.searched = from
}

// Take returns the next chunk if it has n bytes, without a search for its end.
// The caller must know a chunk of n bytes that was cut with the same [Params],
// from any content, and same must tell whether the given one is equal to it:
// then no place within is one to cut at, and Take looks at its end alone. It
// returns nil where the next chunk is another, and where it can't tell; the
// chunk is what Next returns then. It is valid until the next call of a method.
func (c *Cutter) Take(n int, same func(chunk []byte) bool) []byte {
	if n <= 0 || n > c.params.Max() || !c.have(n) || !c.ends(n) {
		return nil
	}
	chunk := c.data[window+c.at:][:n:n]
	if !same(chunk) {
		return nil
	}
	c.at += n
	return chunk
}

// Done tells whether all of the content has been returned, as far as that is
// known without reading on. It always is behind a chunk from Take.
func (c *Cutter) Done() bool { return c.at == c.end && c.err != nil }

// have makes sure that there are n bytes at hand, and behind them another or
// the end of the content.
func (c *Cutter) have(n int) bool {
	if c.at+n >= c.end && c.err == nil {
		c.more(0)
	}
	return c.at+n < c.end || c.at+n == c.end && c.err == io.EOF
}

// ends tells whether the next chunk ends behind the n bytes that are at hand, if
// it does not before.
func (c *Cutter) ends(n int) bool {
	if n == c.params.Max() || c.at+n == c.end {
		return true
	}
	return n >= c.params.Min() && c.scanner.fingerprint(c.data[c.at+n:])&c.scanner.mask == 0
}

// fill reads on where no bytes are left at hand, for a chunk that has the given length
// so far.
func (c *Cutter) fill(length int) error {
	c.more(length)
	if c.end == 0 {
		return c.err
	}
	return nil
}

// more reads on, and moves what is left at hand to the front. length is that of the
// chunk being cut, as far as it has been taken from what was at hand.
func (c *Cutter) more(length int) {
	if c.data == nil {
		c.data = make([]byte, window+cutterBuffer+overrun)
		c.places = make([]uint64, (cutterBuffer+overrun)/64+1)
	}
	left := c.end - c.at
	copy(c.data, c.data[c.at:window+c.end])
	c.at, c.end = 0, left
	if c.zeros > 0 || c.lookForHole() {
		c.fillZeros(length)
		c.searched = c.end
		return
	}
	c.read(c.data[window : window+cutterBuffer])
	if c.err != nil && c.err != io.EOF {
		c.end = left
	}
	c.searched = c.end
}

// maxEmptyReads is how many reads without bytes or error are borne, as in
// package bufio.
const maxEmptyReads = 100

// read fills p, or as much as there is before an error, which it keeps.
func (c *Cutter) read(p []byte) {
	for empty := 0; c.end < len(p) && c.err == nil; {
		if c.end > 0 && c.lookForHole() {
			c.filled = c.end
			return
		}
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
