package store_test

import (
	"bytes"
	"fmt"
	"hash/crc32"
	"io/fs"
	"strings"
)

// secondSettings are settings of a place, section 10.
type secondSettings struct {
	Made   string `cbor:"1,keyasint"`
	Host   string `cbor:"2,keyasint,omitempty"`
	Parity uint64 `cbor:"3,keyasint,omitempty"`
	Deltas string `cbor:"4,keyasint,omitempty"`
}

// secondPlan says where what lies of the parity of a slab, section 7.
type secondPlan struct{ block, columns, spare, rows int }

func secondPlanOf(w, columns, spare int) secondPlan {
	p := secondPlan{block: 4096, columns: columns, spare: spare}
	for _, s := range []int{2048, 1024, 512, 256, 128} {
		if s*512 > w {
			p.block = s
		}
	}
	blocks := 1 + (max(0, w-columns*spare*p.block)+p.block-1)/p.block
	p.rows = (blocks + columns - 1) / columns
	return p
}

// secondPlanFor is the plan that a writer makes for p percent.
func secondPlanFor(w, percent int) secondPlan {
	s := secondPlanOf(w, 1, 1).block
	most := min(8, 255*percent/(96+percent))
	t := (max(512, w*percent/96)+s-1)/s + 1
	columns := (t + most - 1) / most
	return secondPlanOf(w, columns, (t+columns-1)/columns)
}

// secondTimes multiplies in GF(2^8) modulo x^8 + x^4 + x^3 + x^2 + 1.
func secondTimes(a, b byte) (product byte) {
	for ; b != 0; b >>= 1 {
		if b&1 != 0 {
			product ^= a
		}
		carry := a >> 7
		a = a<<1 ^ carry*0x1d
	}
	return product
}

// secondInverse gives a to the power of 254, which is 1 / a, as a to the power of 255 is 1.
func secondInverse(a byte) byte {
	product := byte(1)
	for range 254 {
		product = secondTimes(product, a)
	}
	return product
}

// checkParity computes the parity of a slab, if it has any, and compares.
func (s *secondSlab) checkParity() error {
	if s.parity == nil {
		return nil
	}
	bad := func(what string, args ...any) error {
		return fmt.Errorf("slab %s: parity: %s", s.name, fmt.Sprintf(what, args...))
	}
	n := len(s.parity)
	if n < 32 || !bytes.Equal(s.parity[:16], s.parity[n-16:]) {
		return bad("its marks differ")
	}
	mark := s.parity[:16]
	crc := func(b []byte) uint64 { return uint64(crc32.Checksum(b, crc32.MakeTable(crc32.Castagnoli))) }
	if string(mark[:8]) != "kist.par" || crc(mark[:12]) != number(mark[12:]) {
		return bad("its mark is %x", mark)
	}
	p := secondPlanOf(len(s.all), int(number(mark[8:10])), int(number(mark[10:12])))
	size := p.columns * p.block
	checks := 4 * (p.rows + p.spare) * p.columns
	if p.rows+p.spare > 255 || n != 32+2*checks+p.spare*size {
		return bad("%d bytes with %+v", n, p)
	}
	planned := false
	for percent := 1; percent <= 20; percent++ {
		planned = planned || secondPlanFor(len(s.all), percent) == p
	}
	if !planned {
		return bad("no percentage gives %+v", p)
	}
	before := s.all[:len(s.all)-2*secondTrailerLength-n-16]
	all := make([]byte, p.rows*size)
	copy(all, s.all[len(s.all)-2*secondTrailerLength:])
	copy(all[len(all)-len(before):], before)
	for q := range p.spare {
		row := make([]byte, size)
		for r := range p.rows {
			factor := secondInverse(byte(p.rows+q) ^ byte(r))
			var times [256]byte
			for b := range times {
				times[b] = secondTimes(byte(b), factor)
			}
			for i, b := range all[r*size : (r+1)*size] {
				row[i] ^= times[b]
			}
		}
		all = append(all, row...)
	}
	if !bytes.Equal(all[p.rows*size:], s.parity[16+checks:n-16-checks]) {
		return bad("code words differ")
	}
	for i := range (p.rows + p.spare) * p.columns {
		want := crc(all[i*p.block : (i+1)*p.block])
		for _, at := range []int{16, n - 16 - checks} {
			if number(s.parity[at+4*i:at+4*i+4]) != want {
				return bad("check %d differs", i)
			}
		}
	}
	return nil
}

// checkSecondSpares holds second copies against the objects that they are of, and wants some, and parity, or none.
func checkSecondSpares(r *secondReader, some bool) error {
	names, err := r.list("spare")
	if err != nil {
		return err
	}
	kinds := map[string]int{}
	for _, name := range names {
		folder, rest, _ := strings.Cut(strings.TrimPrefix(name, "spare/"), ".")
		object := folder + "/" + rest
		if folder == "kist" {
			object = folder + "." + rest
		}
		one, err := fs.ReadFile(r.fsys, name)
		if err != nil {
			return err
		}
		two, err := fs.ReadFile(r.fsys, object)
		if err != nil || !bytes.Equal(one, two) {
			return fmt.Errorf("%s is no copy: %w", name, err)
		}
		kinds[folder]++
	}
	parity := 0
	for _, s := range r.slabs {
		if s.parity != nil {
			parity++
		}
	}
	if some && (len(kinds) != 4 || parity == 0 || parity == len(r.slabs)) || !some && len(kinds)+parity > 0 {
		return fmt.Errorf("second copies: %v; slabs with parity: %d of %d", kinds, parity, len(r.slabs))
	}
	return nil
}
