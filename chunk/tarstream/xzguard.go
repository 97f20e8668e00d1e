package tarstream

import (
	"encoding/binary"
	"io"
)

// An xzGuard passes an xz file on and makes up for two things in the xz library.
// It stops before a block header that asks for a dictionary larger than
// MaxWindow: the library allocates up to 4 GiB, without a limit to set. And it
// tells a file that ends before a block header from one that is complete: the
// library takes both for the end. Of the format ("The .xz File Format" 1.2.1, sections
// 2 to 5; LZMA2 chunks as in xz's lzma2_decoder.c) it follows just as much as
// finds the block headers. It checks nothing else: the library does.
type xzGuard struct {
	r    io.Reader
	skip int64  // bytes to pass before the next one of interest
	buf  []byte // of interest, collected so far
	want int    // their number
	then func(g *xzGuard) error

	between   bool  // streams: the file may end
	checkSize int64 // behind each block
	data      int64 // compressed bytes of the block so far
	index     int64 // bytes of the index so far
	numbers   uint64
}

func newXZGuard(r io.Reader) *xzGuard {
	g := &xzGuard{r: r}
	g.expectStream()
	return g
}

func (g *xzGuard) Read(p []byte) (int, error) {
	n, err := g.r.Read(p)
	if bad := g.watch(p[:n]); bad != nil {
		return 0, bad
	}
	if err == io.EOF && g.inside() {
		err = io.ErrUnexpectedEOF
	}
	return n, err
}

// inside reports whether more must come: in front of a stream it need not.
func (g *xzGuard) inside() bool {
	return !g.between || g.skip > 0 || len(g.buf) > 0
}

func (g *xzGuard) watch(b []byte) error {
	for len(b) > 0 && g.then != nil {
		if g.skip > 0 {
			n := min(g.skip, int64(len(b)))
			g.skip -= n
			b = b[n:]
			continue
		}
		n := min(g.want-len(g.buf), len(b))
		g.buf = append(g.buf, b[:n]...)
		b = b[n:]
		if len(g.buf) == g.want {
			if err := g.then(g); err != nil {
				return err
			}
		}
	}
	return nil
}

// expect calls then with n bytes in g.buf.
func (g *xzGuard) expect(n int, then func(*xzGuard) error) {
	g.buf, g.want, g.then = g.buf[:0], n, then
}

// more calls then with n bytes added to g.buf.
func (g *xzGuard) more(n int, then func(*xzGuard) error) {
	g.want, g.then = len(g.buf)+n, then
}

// streamMagic sees the first bytes of a stream, or four of the padding between
// streams.
func (g *xzGuard) streamMagic() error {
	if binary.LittleEndian.Uint32(g.buf) == 0 {
		g.expectStream()
	} else {
		g.between = false
		g.more(8, (*xzGuard).streamHeader)
	}
	return nil
}

func (g *xzGuard) expectStream() {
	g.between = true
	g.expect(4, (*xzGuard).streamMagic)
}

func (g *xzGuard) streamHeader() error {
	g.checkSize = 0
	if id := g.buf[7] & 0xf; id > 0 {
		g.checkSize = 4 << ((id - 1) / 3)
	}
	g.expect(1, (*xzGuard).blockStart)
	return nil
}

// blockStart sees the size of a block header, or the zero that starts an
// index.
func (g *xzGuard) blockStart() error {
	if g.buf[0] == 0 {
		g.index, g.numbers = 1, 0
		g.expect(1, (*xzGuard).indexCount)
	} else {
		g.more(int(g.buf[0])*4+3, (*xzGuard).blockHeader)
	}
	return nil
}

func (g *xzGuard) blockHeader() error {
	if xzDictionary(g.buf) > MaxWindow {
		return ErrWindow
	}
	g.data = 0
	g.expect(1, (*xzGuard).chunkControl)
	return nil
}

// xzDictionary returns the size of the dictionary of an LZMA2 filter, the only
// kind the library knows.
func xzDictionary(header []byte) uint64 {
	flags, b := header[1], header[2:]
	for _, present := range []bool{flags&0x40 != 0, flags&0x80 != 0} {
		if present { // a size
			_, n := binary.Uvarint(b)
			b = b[max(n, 0):]
		}
	}
	if len(b) < 3 || b[0] != 0x21 || b[1] != 1 {
		return 0
	}
	if b[2] >= 40 {
		return 1<<32 - 1
	}
	return uint64(2|b[2]&1) << (b[2]/2 + 11)
}

// chunkControl sees the first byte of an LZMA2 chunk.
func (g *xzGuard) chunkControl() error {
	g.data++
	switch c := g.buf[0]; {
	case c == 0: // the end of the block
		g.skip = -g.data&3 + g.checkSize
		g.expect(1, (*xzGuard).blockStart)
	case c < 0x80: // stored
		g.more(2, (*xzGuard).chunkSize)
	case c < 0xc0:
		g.more(4, (*xzGuard).chunkSize)
	default: // with a byte of properties
		g.more(5, (*xzGuard).chunkSize)
	}
	return nil
}

func (g *xzGuard) chunkSize() error {
	size := g.buf[1:3]
	if g.buf[0] >= 0x80 {
		size = g.buf[3:5]
	}
	g.skip = int64(binary.BigEndian.Uint16(size)) + 1
	g.data += int64(len(g.buf)) - 1 + g.skip
	g.expect(1, (*xzGuard).chunkControl)
	return nil
}

// indexCount sees the number of records, one byte at a time. Each record is
// two numbers.
func (g *xzGuard) indexCount() error {
	g.index++
	if last := g.buf[len(g.buf)-1]; last&0x80 != 0 && len(g.buf) < binary.MaxVarintLen64 {
		g.more(1, (*xzGuard).indexCount)
		return nil
	}
	records, _ := binary.Uvarint(g.buf)
	g.numbers = 2 * records
	return g.indexNext()
}

// indexNumber sees the bytes of the records.
func (g *xzGuard) indexNumber() error {
	g.index++
	if g.buf[0]&0x80 == 0 {
		g.numbers--
	}
	return g.indexNext()
}

// indexNext goes on with the records, or to the stream behind index and
// footer.
func (g *xzGuard) indexNext() error {
	if g.numbers > 0 {
		g.expect(1, (*xzGuard).indexNumber)
		return nil
	}
	const sum, footer = 4, 12
	g.skip = -g.index&3 + sum + footer
	g.expectStream()
	return nil
}
