package store_test

import (
	"encoding/hex"
	"fmt"
	"os"
	"strings"
)

// secondGoldenParity is the golden repository with parity.
const secondGoldenParity = "../testdata/format1-parity"

// parity follows the paragraph on parity of section 7, in the shortest slab that has some.
func (e *example) parity() error {
	key, err := os.ReadFile(secondGoldenParity + "/key")
	if err != nil {
		return err
	}
	r, err := openSecond(os.DirFS(secondGoldenParity+"/repository"), "key-file", key, e.r.unzip)
	if err != nil {
		return err
	}
	s, err := shortestWithParity(r)
	if err != nil {
		return err
	}
	w, percent := len(s.all), 3
	columns, spare := int(number(s.parity[8:10])), int(number(s.parity[10:12]))
	p := secondPlanOf(w, columns, spare)
	if p != secondPlanFor(w, percent) || columns != 1 {
		return fmt.Errorf("slab %s has the plan %+v: the example is of one column and %d percent", s.name, p, percent)
	}
	section := w - 2*secondTrailerLength - len(s.parity) - 16
	zeros := p.rows*p.block - 2*secondTrailerLength - section
	e.text("")
	e.text("### Parity of a slab")
	e.text("")
	e.text("Writers of `%s/repository` gave slabs %d percent. Its slab", strings.TrimPrefix(secondGoldenParity, "../"), percent)
	e.text("`slabs/%s/%s` has W = %d bytes, and so blocks of s = %d bytes:", s.name[:2], s.name, w, p.block)
	e.lines(
		fmt.Sprintf("R = max(512, ⌊%d · %d / 96⌋) = %d", w, percent, max(512, w*percent/96)),
		fmt.Sprintf("M = min(8, ⌊255 · %d / (96 + %d)⌋) = %d", percent, percent, min(8, 255*percent/(96+percent))),
		fmt.Sprintf("T = ⌈%d / %d⌉ + 1 = %d, columns = %d, spare = %d", max(512, w*percent/96), p.block, (max(512, w*percent/96)+p.block-1)/p.block+1, columns, spare),
		fmt.Sprintf("B = 1 + ⌈(%d - %d · %d · %d) / %d⌉ = %d, so k = %d rows are protected", w, columns, spare, p.block, p.block, p.rows*columns, p.rows),
	)
	e.text("Protected are the two trailers (%d bytes), %d zeros, and the %d bytes before the section, which begins at offset %d:", 2*secondTrailerLength, zeros, section, section)
	checks := 4 * (p.rows + p.spare) * p.columns
	e.lines(
		"0200              section kind 2, parity",
		"0000              not required",
		"00000000",
		fmt.Sprintf("%s  %d bytes", hex.EncodeToString(s.all[section+8:section+16]), len(s.parity)),
		"6b6973742e706172  kist.par",
		hex.EncodeToString(s.parity[8:10])+"              columns",
		hex.EncodeToString(s.parity[10:12])+"              spare",
		hex.EncodeToString(s.parity[12:16])+"          CRC-32C of these 12 bytes",
		fmt.Sprintf("%s …        checks of block 0 and %d others", hex.EncodeToString(s.parity[16:20]), checks/4-1),
		fmt.Sprintf("%s …        parity, the block of row %d and those of %d others", hex.EncodeToString(s.parity[16+checks:][:4]), p.rows, p.spare-1),
	)
	e.text("and the same checks and the same mark again. Byte 0 of the block of row %d, where q = 0, is the sum, by xor, of these:", p.rows)
	lines := append([]string{"r   byte 0 of row r   1 / (k xor r)   product"}, s.codeWord(p, zeros, section)...)
	e.lines(strings.Join(lines, "\n"))
	e.text("which is the first byte of that block.")
	return nil
}

// codeWord shows how byte 0 of the first row of parity comes about, where there is one column.
func (s *secondSlab) codeWord(p secondPlan, zeros, section int) (lines []string) {
	protected := append([]byte{}, s.all[len(s.all)-2*secondTrailerLength:]...)
	protected = append(append(protected, make([]byte, zeros)...), s.all[:section]...)
	sum := byte(0)
	for r := range p.rows {
		b, factor := protected[r*p.block], secondInverse(byte(p.rows)^byte(r))
		sum ^= secondTimes(b, factor)
		lines = append(lines, fmt.Sprintf("%-3d %02x                %02x              %02x", r, b, factor, secondTimes(b, factor)))
	}
	return append(lines, fmt.Sprintf("                                      %02x", sum))
}

func shortestWithParity(r *secondReader) (shortest *secondSlab, err error) {
	names, err := r.list("slabs/*")
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		s, err := r.slab(name[strings.LastIndexByte(name, '/')+1:])
		if err != nil {
			return nil, err
		}
		if s.parity != nil && (shortest == nil || len(s.all) < len(shortest.all)) {
			shortest = s
		}
	}
	if shortest == nil {
		return nil, fmt.Errorf("no slab of %s has parity", secondGoldenParity)
	}
	return shortest, nil
}
