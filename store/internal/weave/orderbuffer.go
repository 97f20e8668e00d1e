package weave

import (
	"cmp"
	"encoding/binary"
	"iter"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
)

// orderBuffer holds members until all are known, in some 30 bytes each beside their paths.
type orderBuffer struct {
	blocks [][]byte
	starts []uint64 // of members: number of the block, and the place in it
	bytes  int
}

const orderBlock = 1 << 20

// add takes a member.
func (b *orderBuffer) add(path string, padding int, at, x Extent) {
	size := len(path) + 8*binary.MaxVarintLen64
	last := len(b.blocks) - 1
	if last < 0 || cap(b.blocks[last])-len(b.blocks[last]) < size {
		b.blocks = append(b.blocks, make([]byte, 0, max(orderBlock, size)))
		last++
	}
	p := b.blocks[last]
	b.starts = append(b.starts, uint64(last)<<32|uint64(len(p)))
	before := len(p)
	p = binary.AppendUvarint(p, uint64(len(path)))
	p = append(p, path...)
	for _, n := range []uint64{at.List, at.Stamps, at.Chunks, x.List, x.Stamps, x.Chunks, uint64(padding)} {
		p = binary.AppendUvarint(p, n)
	}
	b.blocks[last] = p
	b.bytes += len(p) - before + 8
}

// path gives the path of a member, and what stands behind it.
func (b *orderBuffer) path(start uint64) (path, rest []byte) {
	p := b.blocks[start>>32][uint32(start):]
	n, k := binary.Uvarint(p)
	return p[k : k+int(n)], p[k+int(n):]
}

func (b *orderBuffer) member(start uint64) OrderSpan {
	path, rest := b.path(start)
	var n [7]uint64
	for i := range n {
		var k int
		n[i], k = binary.Uvarint(rest)
		rest = rest[k:]
	}
	return OrderSpan{
		Path: string(path), Members: 1, Padding: int(n[6]),
		Begin: Extent{n[0], n[1], n[2]}, Length: Extent{n[3], n[4], n[5]},
	}
}

// sorted gives the members in the order of paths; of several with one path, the last.
func (b *orderBuffer) sorted() iter.Seq[OrderSpan] {
	return func(yield func(OrderSpan) bool) {
		slices.SortFunc(b.starts, func(x, y uint64) int {
			p, _ := b.path(x)
			q, _ := b.path(y)
			return cmp.Or(format.ComparePathBytes(p, q), cmp.Compare(x, y))
		})
		for i, start := range b.starts {
			if i+1 < len(b.starts) {
				p, _ := b.path(start)
				if q, _ := b.path(b.starts[i+1]); string(p) == string(q) {
					continue
				}
			}
			if !yield(b.member(start)) {
				return
			}
		}
	}
}
