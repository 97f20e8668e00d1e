package tarstream

import (
	"bytes"
	"errors"
)

// A Cut is where stamps were taken out of a header.
type Cut struct {
	Offset, Length int  // in the header, from its first whole block on
	Sum            bool // the cut ends with the checksum of a block, whose place is known by that
}

// MaxCuts is the most cuts that [SplitStamps] makes; what would need more stays in
// rest.
const MaxCuts = 64

// Positions within a header block.
const (
	sizeAt   = 124
	mtimeAt  = 136
	chksumAt = 148
	flagAt   = 156
)

// paxName is what GNU tar puts before the number of its process in the name of
// an extended header, unless told otherwise (GNU tar manual, "Controlling
// Extended Headers").
const paxName = "PaxHeaders."

// ErrStamps is returned by [JoinStamps] for parts that no [SplitStamps] gave.
var ErrStamps = errors.New("parts of a tar header that do not fit")

// SplitStamps takes out of Part.Header of an [Entry] what changes when a file is
// touched and nothing else is: modification times, checksums, and the payload of
// pax extended headers, which holds times to the nanosecond. What rest holds
// is then the same for every capture of a file that keeps its name, size, owner
// and mode. A checksum of the usual form becomes zeros: it can be computed.
//
// [JoinStamps] gives header back, whatever its bytes are.
func SplitStamps(header []byte) (rest, stamps []byte, cuts []Cut) {
	start := len(header) % blockSize
	s := splitter{blocks: header[start:], rest: append([]byte(nil), header[:start]...)}
	for s.next() {
	}
	s.rest = append(s.rest, s.blocks[s.kept:]...)
	return s.rest, s.stamps, s.cuts
}

// splitter goes through the blocks of a header.
type splitter struct {
	blocks       []byte
	at           int // the block that is looked at
	kept         int // up to here everything is in rest or in stamps
	rest, stamps []byte
	cuts         []Cut
}

// next takes the stamps of one block and of its payload, and tells whether
// there may be more.
func (s *splitter) next() bool {
	const perBlock = 3
	if len(s.blocks)-s.at < blockSize || len(s.cuts) > MaxCuts-perBlock {
		return false
	}
	b := block(s.blocks[s.at : s.at+blockSize])
	if !b.valid() {
		return false
	}
	size, ok := parseNumber(b.size())
	switch flag := b.typeflag(); {
	case !ok || size < 0 || size > MaxHeader:
		return false
	case flag == typePax || flag == typePaxSun:
		s.cutProcess(b)
		s.cutSum(b, sizeAt)
		payload := int(size+blockSize-1) / blockSize * blockSize
		if s.at += blockSize; payload > len(s.blocks)-s.at {
			return false
		}
		s.cut(s.at, payload, false)
		s.at += payload
	case flag == typeGNUName || flag == typeGNULink || flag == typePaxGlobal:
		s.cutSum(b, mtimeAt)
		s.at += blockSize + int(size+blockSize-1)/blockSize*blockSize
	default:
		s.cutSum(b, mtimeAt)
		return false // the member's own header; what follows is a map of holes
	}
	return true
}

// cutProcess cuts the number of a process out of the name of a block.
func (s *splitter) cutProcess(b block) {
	i := bytes.Index(b.name(), []byte(paxName))
	if i < 0 {
		return
	}
	i += len(paxName)
	digits := len(b.name()[i:]) - len(bytes.TrimLeft(b.name()[i:], "0123456789"))
	if digits > 0 && string(b.name()[i:i+digits]) != "0" {
		s.cut(s.at+i, digits, false)
	}
}

// cutSum cuts the fields of the block at s.at from the given position to the
// checksum.
func (s *splitter) cutSum(b block, from int) {
	s.cut(s.at+from, flagAt-from, true)
	if bytes.Equal(b.chksum(), usualSum(b)) {
		clear(s.stamps[len(s.stamps)-(flagAt-chksumAt):])
	}
}

func (s *splitter) cut(offset, length int, sum bool) {
	if length == 0 {
		return
	}
	s.rest = append(s.rest, s.blocks[s.kept:offset]...)
	s.stamps = append(s.stamps, s.blocks[offset:offset+length]...)
	s.cuts = append(s.cuts, Cut{offset, length, sum})
	s.kept = offset + length
}

// usualSum gives the checksum of a block as most writers write it: six octal
// digits, a zero byte, a space.
func usualSum(b block) []byte {
	sum, _ := b.sum()
	text := []byte("000000\x00 ") // of 512 bytes it has no more digits
	for i := 5; sum > 0; i-- {
		text[i] = '0' + byte(sum&7)
		sum >>= 3
	}
	return text
}

// JoinStamps is the inverse of [SplitStamps]. It fails with [ErrStamps], and takes no
// more memory than the three parts together.
func JoinStamps(rest, stamps []byte, cuts []Cut) ([]byte, error) {
	length := len(rest) + len(stamps)
	start := length % blockSize
	if start > len(rest) {
		return nil, ErrStamps
	}
	header := append(make([]byte, 0, length), rest[:start]...)
	rest = rest[start:]
	for _, c := range cuts {
		skip := c.Offset - (len(header) - start)
		if skip < 0 || skip > len(rest) || c.Length < 1 || c.Length > len(stamps) {
			return nil, ErrStamps
		}
		header = append(header, rest[:skip]...)
		header = append(header, stamps[:c.Length]...)
		rest, stamps = rest[skip:], stamps[c.Length:]
	}
	header = append(header, rest...)
	if len(stamps) > 0 {
		return nil, ErrStamps
	}
	return header, fillSums(header[start:], cuts)
}

// fillSums computes the checksums that are zero.
func fillSums(blocks []byte, cuts []Cut) error {
	for _, c := range cuts {
		if !c.Sum {
			continue
		}
		at := c.Offset + c.Length - flagAt
		if at < 0 || at+blockSize > len(blocks) {
			return ErrStamps
		}
		b := block(blocks[at : at+blockSize])
		if isZero(b.chksum()) {
			copy(b.chksum(), usualSum(b))
		}
	}
	return nil
}
