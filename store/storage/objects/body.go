package objects

import (
	"bytes"
	"context"
	"hash"
	"io"
)

// smallSize is what a content may have, in bytes, without waiting for others that are held.
const smallSize = 64 << 10

// whole is a small content in memory.
type whole []byte

func (w whole) ReadAt(p []byte, off int64) (int, error) { return bytes.NewReader(w).ReadAt(p, off) }

// Size gives the length in bytes.
func (w whole) Size() int64 { return int64(len(w)) }

func (w whole) hashInto(h hash.Hash) { h.Write(w) }

// body is a content in memory, up to MaxWhole bytes.
type body struct {
	room   *room
	held   int // blocks; the room's
	blocks [][]byte
	size   int64
}

// fill reads content until it ends (io.EOF), there are MaxWhole bytes (nil), or reading fails. What it begins with has a small block of its own.
func (b *body) fill(ctx context.Context, content io.Reader) error {
	defer b.room.filled(b)
	for b.size < MaxWhole {
		block, err := b.block(ctx)
		if err != nil {
			return err
		}
		n, err := readFull(ctx, block[:min(int64(len(block)), MaxWhole-b.size)], content)
		b.blocks, b.size = append(b.blocks, block[:n]), b.size+int64(n)
		if err != nil {
			return err
		}
	}
	return nil
}

// block gives memory for what comes next.
func (b *body) block(ctx context.Context) ([]byte, error) {
	if b.size == 0 {
		return make([]byte, smallSize), nil
	}
	return b.room.take(ctx, b)
}

// readFull reads until p is full or from ends. It leaves from's own io.ErrUnexpectedEOF, which is a failure, distinct from an end.
func readFull(ctx context.Context, p []byte, from io.Reader) (n int, err error) {
	for n < len(p) && err == nil {
		if err := ctx.Err(); err != nil {
			return n, err
		}
		var more int
		more, err = from.Read(p[n:])
		n += more
	}
	return n, err
}

// empty forgets the content, and gives its memory back.
func (b *body) empty() {
	if len(b.blocks) > 0 {
		large := b.blocks[1:]
		for i := range large {
			large[i] = large[i][:blockSize]
		}
		b.room.giveBack(b, large)
	}
	b.blocks, b.size = nil, 0
}

// Size gives the length in bytes.
func (b *body) Size() int64 { return b.size }

func (b *body) hashInto(h hash.Hash) {
	for _, block := range b.blocks {
		h.Write(block)
	}
}

// ReadAt implements [io.ReaderAt].
func (b *body) ReadAt(p []byte, off int64) (n int, err error) {
	for _, block := range b.blocks {
		if off >= int64(len(block)) {
			off -= int64(len(block))
			continue
		}
		more := copy(p[n:], block[off:])
		n, off = n+more, 0
		if n == len(p) {
			return n, nil
		}
	}
	return n, io.EOF
}
