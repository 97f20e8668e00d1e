package objects

import (
	"bytes"
	"context"
	"hash"
	"io"
)

const (
	// blockSize is the length, in bytes, of the pieces of memory in which a content is held.
	blockSize = 1 << 20

	// smallSize is what a content may have, in bytes, without waiting for others that are held.
	smallSize = 64 << 10
)

// whole is a small content in memory.
type whole []byte

func (w whole) ReadAt(p []byte, off int64) (int, error) { return bytes.NewReader(w).ReadAt(p, off) }

// Size gives the length in bytes.
func (w whole) Size() int64 { return int64(len(w)) }

func (w whole) hashInto(h hash.Hash) { h.Write(w) }

// body is a content in memory, up to MaxWhole bytes.
type body struct {
	storage *Storage
	blocks  [][]byte // the first one may be small
	size    int64
	held    bool // it counts among the storage's writers
}

// fill reads content until it ends (io.EOF), there are MaxWhole bytes (nil), or reading fails.
func (b *body) fill(ctx context.Context, content io.Reader) error {
	if !b.held {
		small := make([]byte, smallSize)
		n, err := readFull(ctx, small, content)
		b.blocks, b.size = append(b.blocks, small[:n]), int64(n)
		if err != nil {
			return err
		}
		if err := b.hold(ctx); err != nil {
			return err
		}
	}
	for b.size < MaxWhole {
		block := *b.storage.blocks.Get().(*[]byte)
		n, err := readFull(ctx, block[:min(blockSize, MaxWhole-b.size)], content)
		b.blocks, b.size = append(b.blocks, block[:n]), b.size+int64(n)
		if err != nil {
			return err
		}
	}
	return nil
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

// hold waits until the content may take more memory.
func (b *body) hold(ctx context.Context) error {
	select {
	case b.storage.writers <- struct{}{}:
		b.held = true
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// empty forgets the content, and keeps the right to hold one.
func (b *body) empty() {
	for _, block := range b.blocks {
		if cap(block) == blockSize {
			block = block[:blockSize]
			b.storage.blocks.Put(&block)
		}
	}
	b.blocks, b.size = b.blocks[:0], 0
}

// release gives the memory back.
func (b *body) release() {
	b.empty()
	if b.held {
		<-b.storage.writers
		b.held = false
	}
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
