// Package parity adds to a slab what heals it: Reed-Solomon parity over GF(2^8), by blocks that
// are interleaved, so that a run of damage touches few blocks of each code word. FORMAT.md,
// section 7, Parity, has the layout.
//
// It knows bytes alone. Whether what it healed is what was written, the seals of the slab tell.
package parity

import (
	"errors"
	"fmt"

	"github.com/kistarchive/kist/store/internal/format"
)

// The least and the most parity that writers give a slab, in percent.
const (
	MinPercent = 1
	MaxPercent = format.MaxParity
)

// MaxLength is the length in bytes of the longest slab that is healed: whoever does has all of it in memory.
const MaxLength = format.MaxParitySlab

const (
	leastRun   = 512     // bytes: a sector of a disk
	leastBlock = 128     // bytes; the trailer fits into one
	mostBlock  = 4 << 10 // bytes: a page, and a sector of disks of today
	mostSpare  = 8       // parity blocks of a code word: what encoding takes goes by it
	markLength = 16
	checkSize  = 4
	fieldSize  = 255 // blocks that a code word over GF(2^8) may have

	// The run that is healed is percent/runShare of the slab: 1 MiB of 32 MiB at 3 %.
	runShare = 96
)

// plan says where in a slab what of its parity lies. The slab's length, columns and spare decide everything.
type plan struct {
	length  int // of the slab, in bytes
	columns int // code words: block number b is of code word b mod columns
	spare   int // blocks of a code word that are parity

	block  int // bytes
	rows   int // blocks of a code word that are protected
	before int // bytes of the slab before the section
}

var errNoRoom = errors.New("no room for parity")

// planFor plans the parity of a slab as writers do. It fails where there is no room for it.
func planFor(length, percent int) (*plan, error) {
	if percent < MinPercent || percent > MaxPercent || length < 0 || length > MaxLength {
		return nil, fmt.Errorf("a slab of %d bytes has no parity of %d %%", length, percent)
	}
	blocks := ceil(Run(length, percent), blockOf(length)) + 1 // a run touches so many at the most
	columns := ceil(blocks, spareOf(percent))
	return planOf(length, columns, ceil(blocks, columns))
}

// planOf plans the parity of a slab with so many code words, and blocks of parity in each.
func planOf(length, columns, spare int) (*plan, error) {
	if length < 0 || length > MaxLength || columns < 1 || columns > MaxLength/leastBlock || spare < 1 || spare >= fieldSize {
		return nil, errNoRoom
	}
	p := &plan{length: length, columns: columns, spare: spare, block: blockOf(length)}
	// The trailer has a block of its own; what the section takes beside parity is not counted, so
	// some rows may hold zeros alone.
	p.rows = ceil(1+ceil(max(0, length-p.parity()), p.block), columns)
	p.before = length - p.section() - format.TrailerSize
	if p.before < 0 || p.rows+p.spare > fieldSize {
		return nil, errNoRoom
	}
	return p, nil
}

// blockOf gives the length of a block, in bytes.
func blockOf(length int) int {
	block := leastBlock
	for block < mostBlock && block*512 <= length {
		block *= 2
	}
	return block
}

// Run gives the length in bytes of the longest run of damage that parity heals, wherever it lies in
// a slab of that length.
func Run(length, percent int) int { return max(leastRun, length*percent/runShare) }

// spareOf gives how many blocks of parity a code word has at the most: no more than leave room for those
// that are protected.
func spareOf(percent int) int { return min(mostSpare, fieldSize*percent/(runShare+percent)) }

// size gives the length in bytes of one block of every code word.
func (p *plan) size() int { return p.columns * p.block }

func (p *plan) parity() int { return p.spare * p.size() }

// checks gives the length in bytes of one copy of the checks of all blocks.
func (p *plan) checks() int { return checkSize * (p.rows + p.spare) * p.columns }

// section gives the length in bytes of the section, with its head.
func (p *plan) section() int {
	return format.SectionHead + 2*markLength + 2*p.checks() + p.parity()
}

// Section gives how many bytes of a slab of that length are the section of its parity, with its
// head: none at 0 %. ok is false where there is no room.
func Section(length, percent int) (n int, ok bool) {
	if percent == 0 {
		return 0, true
	}
	p, err := planFor(length, percent)
	if err != nil {
		return 0, false
	}
	return p.section(), true
}

func ceil(n, by int) int { return (n + by - 1) / by }
