package volume

import (
	"archive/tar"
	"bufio"
	"bytes"
	"encoding/binary"
	"math/bits"
	"strings"
	"time"
)

// plainHeader reads headers of the plain kind: a ustar header block (POSIX.1, pax, "ustar Interchange
// Format") of a file, link, folder, device or pipe, and before it at most one extended header with
// records that are known here. Numbers are octal digits, or decimal ones in records, without any
// frills. Whatever is not exactly so is not plain, though archive/tar may read it.
type plainHeader struct {
	h tar.Header // used again
}

const (
	maxPlainRecords = 64 << 10 // bytes of an extended header
	maxDecimal      = 12       // digits of a decimal number
)

// find looks at the next member of r. It gives the length of its headers, or 0 where they are not
// plain; an error is one of r.
func (p *plainHeader) find(r *bufio.Reader) (int, error) {
	b, err := peek(r, blockSize)
	if b == nil {
		return 0, err
	}
	if b[156] != tar.TypeXHeader {
		if p.block(b) {
			return blockSize, nil
		}
		return 0, nil
	}
	length, ok := plainNumbers(b, &tar.Header{})
	if !ok || length == 0 || length > maxPlainRecords {
		return 0, nil
	}
	end := blockSize + int(length) + Padding(length)
	if b, err = peek(r, end+blockSize); b == nil {
		return 0, err
	}
	if !p.block(b[end:]) || !p.records(b[blockSize:blockSize+int(length)]) {
		return 0, nil
	}
	return end + blockSize, nil
}

// block reads the header block of a member itself.
func (p *plainHeader) block(b []byte) bool {
	h := &p.h
	h.PAXRecords = nil
	size, ok := plainNumbers(b, h)
	h.Size, h.Typeflag = size, b[156]
	if !ok || h.Typeflag < tar.TypeReg || h.Typeflag > tar.TypeFifo || isBodiless(h.Typeflag) && size != 0 {
		return false
	}
	h.Linkname = sameText(h.Linkname, field(b[157:257]))
	h.Uname, h.Gname = sameText(h.Uname, field(b[265:297])), sameText(h.Gname, field(b[297:329]))
	h.Name = string(field(b[:100]))
	if prefix := field(b[345:500]); len(prefix) > 0 {
		h.Name = string(prefix) + "/" + h.Name
	}
	return true
}

// plainNumbers checks a block's checksum and form, and reads its numbers.
func plainNumbers(b []byte, h *tar.Header) (size int64, ok bool) {
	b = b[:blockSize]
	if string(b[257:263]) != "ustar\x00" || string(b[508:512]) == "tar\x00" { // as star writes it
		return 0, false
	}
	var n [8]int64
	for i, f := range [8][]byte{b[148:156], b[100:108], b[108:116], b[116:124], b[124:136], b[136:148], b[329:337], b[337:345]} {
		if n[i], ok = octal(f); !ok {
			return 0, false
		}
	}
	if n[0] != checksum(b) {
		return 0, false
	}
	h.Mode, h.Uid, h.Gid, h.ModTime = n[1], int(n[2]), int(n[3]), time.Unix(n[5], 0)
	h.Devmajor, h.Devminor = n[6], n[7]
	return n[4], true
}

// checksum gives the sum of all bytes of a block, those of the checksum taken for spaces.
func checksum(b []byte) int64 {
	const low = 0x00ff00ff00ff00ff // every other byte
	var lanes uint64               // four sums, of up to 2*64*255 each
	for i := 0; i < blockSize; i += 8 {
		w := binary.LittleEndian.Uint64(b[i:])
		lanes += w&low + w>>8&low
	}
	sum := int64(8 * ' ')
	for range 4 {
		sum += int64(lanes & 0xffff)
		lanes = bits.RotateLeft64(lanes, 16)
	}
	for _, c := range b[148:156] {
		sum -= int64(c)
	}
	return sum
}

// octal reads a number that begins a field and is followed by zeros or spaces only.
func octal(f []byte) (n int64, ok bool) {
	i := 0
	for ; i < len(f) && '0' <= f[i] && f[i] <= '7'; i++ {
		n = n<<3 | int64(f[i]-'0')
	}
	for ; i < len(f); i++ {
		if f[i] != 0 && f[i] != ' ' {
			return 0, false
		}
	}
	return n, true
}

// field gives the text in a field.
func field(f []byte) []byte {
	if i := bytes.IndexByte(f, 0); i >= 0 {
		return f[:i]
	}
	return f
}

// sameText gives text as a string: old, if that is the same.
func sameText(old string, text []byte) string {
	if old == string(text) {
		return old
	}
	return string(text)
}

// records reads the records of an extended header.
func (p *plainHeader) records(b []byte) bool {
	for len(b) > 0 {
		at := bytes.IndexByte(b[:min(len(b), maxDecimal+1)], ' ')
		if at < 0 {
			return false
		}
		n, ok := decimal(b[:at])
		if !ok || n > int64(len(b)) || n < int64(at)+2 || b[n-1] != '\n' {
			return false
		}
		key, value, found := bytes.Cut(b[at+1:n-1], []byte{'='})
		if !found || !p.record(key, value) {
			return false
		}
		b = b[n:]
	}
	return true
}

// record takes up one record.
func (p *plainHeader) record(key, value []byte) (ok bool) {
	h := &p.h
	switch string(key) {
	case "mtime":
		h.ModTime, ok = plainTime(value)
	case "atime", "ctime":
		_, ok = plainTime(value)
	case "uid":
		h.Uid, ok = plainID(value)
	case "gid":
		h.Gid, ok = plainID(value)
	case "path":
		h.Name, ok = plainText(value)
	case "linkpath":
		h.Linkname, ok = plainText(value)
	case "uname":
		h.Uname, ok = plainText(value)
	case "gname":
		h.Gname, ok = plainText(value)
	case recordACLAccess, recordACLDefault, recordACLNFS, recordSELinux:
		ok = true
		p.keep(string(key), value)
	default:
		if ok = strings.HasPrefix(string(key), recordXattr) && bytes.IndexByte(key, 0) < 0; ok {
			p.keep(string(key), value)
		}
	}
	return ok
}

// keep keeps a record as it is.
func (p *plainHeader) keep(key string, value []byte) {
	if p.h.PAXRecords == nil {
		p.h.PAXRecords = make(map[string]string)
	}
	p.h.PAXRecords[key] = string(value)
}

// plainText reads a text. An empty one would stand for what the header block says.
func plainText(b []byte) (string, bool) {
	return string(b), len(b) > 0 && bytes.IndexByte(b, 0) < 0
}

func plainID(b []byte) (int, bool) {
	n, ok := decimal(b)
	return int(n), ok && n < 1<<31 // an int is not longer everywhere
}

// decimal reads a number of digits alone.
func decimal(b []byte) (n int64, ok bool) {
	if len(b) == 0 || len(b) > maxDecimal {
		return 0, false
	}
	for _, c := range b {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = n*10 + int64(c-'0')
	}
	return n, true
}

// plainTime reads seconds since 1970 with at most nine decimals.
func plainTime(b []byte) (time.Time, bool) {
	whole, fraction, point := bytes.Cut(b, []byte{'.'})
	seconds, ok := decimal(whole)
	if !ok || !point {
		return time.Unix(seconds, 0), ok
	}
	nanos, ok := decimal(fraction)
	if len(fraction) > 9 {
		return time.Time{}, false
	}
	for range 9 - len(fraction) {
		nanos *= 10
	}
	return time.Unix(seconds, nanos), ok
}
