package parity

import (
	"encoding/binary"
	"hash/crc32"

	"github.com/klauspost/reedsolomon"

	"github.com/kistarchive/kist/store/internal/format"
)

// parts are the parts of a slab that its parity is about, in memory that they share with it but for
// the lead.
type parts struct {
	*plan
	slab   []byte
	lead   []byte   // the rows that the trailer is in, and zeros
	gap    int      // bytes of the lead before the slab's first byte
	shards [][]byte // rows of blocks: what is protected, then parity
	marks  [2][]byte
	sums   [2][]byte // checks of the blocks
}

// part finds the parts of a slab.
func (p *plan) part(slab []byte) *parts {
	size := p.size()
	s := &parts{plan: p, slab: slab, gap: p.rows*size - p.before}
	s.lead = make([]byte, ceil(s.gap, size)*size)
	copy(s.lead, slab[p.length-format.TrailerSize:])
	copy(s.lead[s.gap:], slab[:p.before])
	for at := 0; at < len(s.lead); at += size {
		s.shards = append(s.shards, s.lead[at:at+size:at+size])
	}
	for at := len(s.lead) - s.gap; at < p.before; at += size {
		s.shards = append(s.shards, slab[at:at+size:at+size])
	}
	rest := slab[p.before+format.SectionHead : p.length-format.TrailerSize]
	next := func(n int) []byte {
		b := rest[:n:n]
		rest = rest[n:]
		return b
	}
	s.marks[0], s.sums[0] = next(markLength), next(p.checks())
	for range p.spare {
		s.shards = append(s.shards, next(size))
	}
	s.sums[1], s.marks[1] = next(p.checks()), next(markLength)
	return s
}

// putBack puts what is in the lead into the slab.
func (s *parts) putBack() {
	copy(s.slab[s.length-format.TrailerSize:], s.lead)
	copy(s.slab[:s.before], s.lead[s.gap:])
}

// blocks gives the number of all blocks.
func (s *parts) blocks() int { return len(s.shards) * s.columns }

// at gives a block by its number.
func (s *parts) at(n int) []byte {
	off := n % s.columns * s.block
	return s.shards[n/s.columns][off : off+s.block : off+s.block]
}

// isZero tells whether a block is neither of the slab nor of its trailer: nothing can damage it.
func (s *parts) isZero(n int) bool { return n > 0 && (n+1)*s.block <= s.gap }

// mayBe tells whether a block has zeros where nothing of the slab is.
func (s *parts) mayBe(n int, block []byte) bool {
	from := max(format.TrailerSize-n*s.block, 0)
	to := min(s.gap-n*s.block, s.block)
	for i := from; i < to; i++ {
		if block[i] != 0 {
			return false
		}
	}
	return true
}

// check gives CRC-32C (RFC 3720, section 12.1 and appendix B.4). It finds what is damaged, and proves nothing.
func check(block []byte) uint32 { return crc32.Checksum(block, crc32.MakeTable(crc32.Castagnoli)) }

// fits tells whether a block is what one of the copies of its check says.
func (s *parts) fits(n int) bool {
	if s.isZero(n) {
		return true
	}
	sum := check(s.at(n))
	for _, c := range s.sums {
		if binary.LittleEndian.Uint32(c[checkSize*n:]) == sum {
			return true
		}
	}
	return false
}

// describe writes everything of the section but the parity itself.
func (s *parts) describe() {
	format.AppendSectionHead(s.slab[:s.before], format.ParitySection, false, s.section()-format.SectionHead)
	for n := range s.blocks() {
		binary.LittleEndian.PutUint32(s.sums[0][checkSize*n:], check(s.at(n)))
	}
	copy(s.sums[1], s.sums[0])
	for _, m := range s.marks {
		s.appendMark(m[:0])
	}
}

const markMagic = "kist.par"

// appendMark appends what tells a plan to whoever knows the slab's length.
func (p *plan) appendMark(dst []byte) []byte {
	at := len(dst)
	dst = binary.LittleEndian.AppendUint16(append(dst, markMagic...), uint16(p.columns))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(p.spare))
	return binary.LittleEndian.AppendUint32(dst, check(dst[at:]))
}

// parseMark gives the plan in a mark, if that is whole.
func parseMark(length int, b []byte) *plan {
	fields := b[len(markMagic):]
	p, err := planOf(length, int(binary.LittleEndian.Uint16(fields)), int(binary.LittleEndian.Uint16(fields[2:])))
	if err != nil || string(p.appendMark(nil)) != string(b) {
		return nil
	}
	return p
}

// coder gives the code of these code words: systematic, its parity by a Cauchy matrix.
func (p *plan) coder() (reedsolomon.Encoder, error) {
	return reedsolomon.New(p.rows, p.spare, reedsolomon.WithCauchyMatrix(), reedsolomon.WithMaxGoroutines(1))
}
