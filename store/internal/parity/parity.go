package parity

import (
	"errors"
	"fmt"

	"github.com/kistarchive/kist/store/internal/format"
)

// ErrBeyond is returned for damage that is beyond what parity can heal, and for what has no parity.
var ErrBeyond = errors.New("beyond what its parity can heal")

// Write fills in the section of parity of a slab that is complete but for it. It fails where Section
// says that there is no room.
func Write(slab []byte, percent int) error {
	p, err := planFor(len(slab), percent)
	if err != nil {
		return err
	}
	return p.write(slab)
}

// Rewrite is Write for a slab whose section of parity, of so many bytes with its head, may be anything: by the
// plan that it had, as far as that can be told. It fails with ErrBeyond where it can't.
func Rewrite(slab []byte, section int) error {
	for _, p := range candidates(slab) {
		if p.section() == section {
			return p.write(slab)
		}
	}
	return ErrBeyond
}

func (p *plan) write(slab []byte) error {
	s := p.part(slab)
	coder, err := p.coder()
	if err == nil {
		err = coder.Encode(s.shards)
	}
	if err != nil {
		return fmt.Errorf("parity of %d rows and %d: %w", p.rows, p.spare, err)
	}
	s.describe()
	return nil
}

// Heal puts right what is damaged in a slab, of which nothing else must be known than how long it was,
// and gives how many blocks were damaged. It fails with ErrBeyond and changes nothing where the damage is
// beyond its strength, or there is no parity. What comes out is to be proved by the slab's seals.
func Heal(slab []byte) (damaged int, err error) {
	err = ErrBeyond
	for _, p := range candidates(slab) {
		if damaged, err = p.heal(slab); !errors.Is(err, ErrBeyond) {
			return damaged, err
		}
	}
	return 0, err
}

// candidates gives the plans that a slab may have: that of a mark which is whole, or all that writers make.
func candidates(slab []byte) []*plan {
	end := len(slab) - format.TrailerSize
	if end < markLength {
		return nil
	}
	if p := parseMark(len(slab), slab[end-markLength:end]); p != nil {
		return []*plan{p}
	}
	var all []*plan
	for percent := MinPercent; percent <= MaxPercent; percent++ {
		p, err := planFor(len(slab), percent)
		if err != nil || len(all) > 0 && *all[len(all)-1] == *p {
			continue
		}
		first := slab[p.before+format.SectionHead:][:markLength]
		if marked := parseMark(len(slab), first); marked != nil && *marked == *p {
			return []*plan{p}
		}
		all = append(all, p)
	}
	return all
}

func (p *plan) heal(slab []byte) (damaged int, err error) {
	s := p.part(slab)
	bad := make([][]int, p.columns) // rows, by code word
	for n := range s.blocks() {
		if !s.fits(n) {
			column := n % p.columns
			if bad[column] = append(bad[column], n/p.columns); len(bad[column]) > p.spare {
				return 0, ErrBeyond
			}
			damaged++
		}
	}
	healed, err := s.reconstruct(bad)
	if err != nil {
		return 0, err
	}
	for n, b := range healed {
		if !s.mayBe(n, b) {
			return 0, ErrBeyond // the checks fit by chance, or are somebody's
		}
	}
	for n, b := range healed {
		copy(s.at(n), b)
	}
	s.putBack()
	s.describe()
	return damaged, nil
}

// reconstruct computes the blocks of the given rows anew, for each code word, and gives them by their numbers.
func (s *parts) reconstruct(bad [][]int) (map[int][]byte, error) {
	coder, err := s.coder()
	if err != nil {
		return nil, err
	}
	healed := make(map[int][]byte)
	word := make([][]byte, len(s.shards))
	for column, rows := range bad {
		if len(rows) == 0 {
			continue
		}
		for row := range word {
			word[row] = s.at(row*s.columns + column)
		}
		for _, row := range rows {
			word[row] = nil // it is missing
		}
		if err := coder.Reconstruct(word); err != nil {
			return nil, fmt.Errorf("parity of %d rows and %d: %w", s.rows, s.spare, err)
		}
		for _, row := range rows {
			healed[row*s.columns+column] = word[row]
		}
	}
	return healed, nil
}

// Check tells how many blocks of parity, or of its description, are not what was written: of a slab whose
// other parts are proved by their seals. section is the section without its head.
func Check(length int, section []byte) (damaged int, err error) {
	var p *plan
	for at := 0; p == nil && len(section) >= 2*markLength && at < 2; at++ {
		p = parseMark(length, section[at*(len(section)-markLength):][:markLength])
	}
	if p == nil || p.section() != format.SectionHead+len(section) {
		return 0, ErrBeyond
	}
	slab := make([]byte, length)
	copy(slab[p.before+format.SectionHead:], section)
	s := p.part(slab)
	for _, m := range s.marks {
		if parseMark(length, m) == nil {
			damaged++
		}
	}
	for n := range s.blocks() {
		if string(s.sums[0][checkSize*n:][:checkSize]) != string(s.sums[1][checkSize*n:][:checkSize]) {
			damaged++
		}
	}
	for n := p.rows * p.columns; n < s.blocks(); n++ {
		if !s.fits(n) {
			damaged++
		}
	}
	return damaged, nil
}
