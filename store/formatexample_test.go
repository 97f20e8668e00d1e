package store_test

import (
	"encoding/hex"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"lukechampine.com/blake3"
)

var writeExample = flag.Bool("format-example", false, "write the worked example into FORMAT.md")

// exampleHeading begins the worked example, the last section of the page.
const exampleHeading = "## 13. A worked example\n"

// TestFormatExample holds the worked example of FORMAT.md against the golden
// repository: the second reader writes it.
func TestFormatExample(t *testing.T) {
	key := secondGoldenFile(t, secondGolden, "key")
	r, err := openSecond(os.DirFS(secondGolden+"/repository"), "key-file", key, zstdPackage(t))
	if err != nil {
		t.Fatal(err)
	}
	want, err := writeFormatExample(r, key)
	if err != nil {
		t.Fatal(err)
	}
	page, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	before, got, _ := strings.Cut(string(page), exampleHeading)
	if *writeExample {
		if err := os.WriteFile("FORMAT.md", []byte(before+exampleHeading+want), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if got != want {
		t.Errorf("the worked example of FORMAT.md is not that of the golden repository; -format-example writes it: %s", firstDifference(got, want))
	}
}

func firstDifference(a, b string) string {
	as, bs := strings.Split(a, "\n"), strings.Split(b, "\n")
	for i := range min(len(as), len(bs)) {
		if as[i] != bs[i] {
			return fmt.Sprintf("%q where %q must be", as[i], bs[i])
		}
	}
	return fmt.Sprintf("%d lines where %d must be", len(as), len(bs))
}

// example writes the worked example.
type example struct {
	strings.Builder
	r     *secondReader
	index *secondIndex
	slab  *secondSlab
}

func writeFormatExample(r *secondReader, key []byte) (string, error) {
	e := &example{r: r}
	for _, part := range []func() error{
		e.intro, func() error { return e.slot(key) }, e.keys, e.slot2, e.header, e.frame, e.sections,
		e.identities, e.tableRecord, e.indexFile, e.recipe, e.memberList, e.stamps, e.states, e.parity,
	} {
		if err := part(); err != nil {
			return "", err
		}
	}
	return e.String(), nil
}

func (e *example) text(format string, args ...any) {
	fmt.Fprintf(e, format+"\n", args...)
}

// lines writes lines of code.
func (e *example) lines(lines ...string) {
	e.text("")
	for _, block := range lines {
		for line := range strings.Lines(block) {
			e.text("    %s", strings.TrimSuffix(line, "\n"))
		}
	}
	e.text("")
}

// intro also reads what the example is about: the second capture, and the slab
// that was written for it.
func (e *example) intro() error {
	names, err := e.r.list("captures")
	if err != nil {
		return err
	}
	if e.index, _, err = e.r.index(names[1]); err != nil {
		return err
	}
	run := e.index.Volumes[0].Contents.Runs[0]
	if e.slab, err = e.r.slab(hex.EncodeToString(run.Slab)); err != nil {
		return err
	}
	e.text("")
	e.text("The golden repository, `testdata/format1/repository`, holds two captures of a small service. Its key file")
	e.text("(`testdata/format1/key`) and its passphrase, `a bean is a bean`, are public, so that everybody can follow. A")
	e.text("test writes this section from the repository with a second reader, and compares.")
	e.text("")
	e.text("Bytes are in hexadecimal; `…` stands for bytes or items left out, whose number follows. Records are in")
	e.text("diagnostic notation (RFC 8949, section 8).")
	return nil
}

// slot follows section 4.
func (e *example) slot(secret []byte) error {
	name, slot, err := e.r.slotOf("key-file")
	if err != nil {
		return err
	}
	salt, err := unhex(slot.Salt, 32)
	if err != nil {
		return err
	}
	key, _, err := slot.keys(secret, salt)
	if err != nil {
		return err
	}
	bound, err := e.r.slotFields(name, "sealed", "checksum")
	if err != nil {
		return err
	}
	e.text("")
	e.text("### A key slot, and the keys")
	e.text("")
	e.text("`%s`:", name)
	e.lines(
		"key file    "+hex.EncodeToString(secret),
		"salt        "+slot.Salt,
		"slot key    "+hex.EncodeToString(key),
		"nonce       "+slot.Nonce,
		"sealed      "+slot.Sealed[:64],
		"            "+slot.Sealed[64:],
		"root key    "+hex.EncodeToString(e.r.root),
	)
	e.text("The additional data is `kist 1 key slot` LF (16 bytes) and this record (%d bytes), which begins with", len(bound))
	e.text("%s. The checksum is over the same record with `sealed`.", shortBytes(bound))
	return e.record(bound)
}

// keys follows section 5.
func (e *example) keys() error {
	var readable secondReadable
	if err := e.r.readJSON("kist.json", &readable); err != nil {
		return err
	}
	seal, err := unhex(readable.Seal, 32)
	if err != nil {
		return err
	}
	k := e.r.keys
	e.text("The root key, and the repository's id %x as salt, give:", e.r.id)
	e.lines(
		"chunk identity       "+hex.EncodeToString(k.identity),
		"chunk boundary       "+hex.EncodeToString(k.boundaries),
		"object key wrapping  "+hex.EncodeToString(k.wrapping),
		"repository file      "+hex.EncodeToString(k.file),
		"key slot             "+hex.EncodeToString(k.slots),
	)
	e.text("The seal of `kist.json` is %s, over:", shortBytes(seal))
	e.lines(readable.sealed())
	return nil
}

// header follows section 6.
func (e *example) header() error {
	s := e.slab
	b, n := s.all, len(s.wrapped)
	e.text("### A slab")
	e.text("")
	e.text("`slabs/%s/%s` has %d bytes. Its header:", s.name[:2], s.name, len(b))
	e.lines(
		fmt.Sprintf("0    %x                  kist", b[:4]),
		fmt.Sprintf("4    %x                        a slab", b[4:5]),
		fmt.Sprintf("5    %x", b[5:6]),
		fmt.Sprintf("6    %x                      format version 1", b[6:8]),
		fmt.Sprintf("8    %x                      wrapping kind 1", b[8:10]),
		fmt.Sprintf("10   %x                      the wrapped key has %d bytes", b[10:12], n),
		fmt.Sprintf("12   %x", b[12:16]),
		fmt.Sprintf("16   %x", b[16:40]),
		"                               nonce",
		fmt.Sprintf("40   %x", b[40:72]),
		fmt.Sprintf("72   %x", b[72:88]),
		"                               the object key, sealed",
	)
	e.text("The additional data of the wrapped key, and the object key:")
	e.lines(append(e.bound("kist 1 wrapping"), hex.EncodeToString(b[8:10]), "", "object key  "+hex.EncodeToString(s.key))...)
	return nil
}

// bound gives the fields of object(domain), one a line.
func (e *example) bound(domain string) []string {
	return []string{
		fmt.Sprintf("%02x000000  %q", len(domain), domain),
		fmt.Sprintf("%02x000000  %x", len(e.r.id), e.r.id),
		fmt.Sprintf("%02x000000  %q", len(e.slab.kind), e.slab.kind),
		fmt.Sprintf("%02x000000  %q", len(e.slab.name), e.slab.name),
	}
}

// frame follows the first frame of section 7.
func (e *example) frame() error {
	s, at := e.slab, len(e.slab.all)-len(e.slab.body)
	n := int(s.table.Frames[0].Sealed)
	zipped := s.frames[0]
	raw, err := e.r.unzip(zipped)
	if err != nil {
		return err
	}
	e.text("Frame 0 is a sealed piece of %d bytes at offset %d, %s. Its nonce:", n, at, shortBytes(s.all[at:at+n]))
	e.lines(fmt.Sprintf("%x          piece kind 1, a frame", s.nonce(1, 0)[:4]), fmt.Sprintf("%x  piece number 0", s.nonce(1, 0)[4:]))
	e.text("and its additional data:")
	e.lines(append(e.bound("kist 1 piece"), hex.EncodeToString(s.nonce(1, 0)))...)
	e.text("The plaintext is a Zstandard frame of %d bytes, which begins with its magic number (RFC 8878, section", len(zipped))
	e.text("3.1.1) and a frame header of %d bytes. It decompresses to %d bytes:", zstdHeaderLength(zipped), len(raw))
	e.lines(fmt.Sprintf("%x %x …", zipped[:4], zipped[4:4+zstdHeaderLength(zipped)]), fmt.Sprintf("%.60q…", raw))
	return nil
}

// zstdHeaderLength gives the length of the header behind the magic number
// (RFC 8878, section 3.1.1.1).
func zstdHeaderLength(b []byte) int {
	flag, single := b[4]>>6, b[4]>>5&1
	n := 1 + []int{0, 2, 4, 8}[flag] + []int{0, 1, 2, 4}[b[4]&3] + int(1-single)
	if flag == 0 && single == 1 {
		n++
	}
	return n
}

// sections follows the end of the slab.
func (e *example) sections() error {
	s := e.slab
	trailer := s.all[len(s.all)-secondTrailerLength:]
	plain, err := s.open(secondTrailer, 0, trailer[8:])
	if err != nil {
		return err
	}
	at := number(plain[:8])
	head := s.all[at : at+16]
	e.text("The frames end at offset %d, where the only section begins:", at)
	e.lines(
		fmt.Sprintf("%x              section kind 1, the slab's table", head[:2]),
		fmt.Sprintf("%x              required", head[2:4]),
		fmt.Sprintf("%x", head[4:8]),
		fmt.Sprintf("%x  %d bytes", head[8:16], number(head[8:16])),
	)
	e.text("Its piece has the nonce %x. The record in it:", s.nonce(secondSection, 1))
	table, err := s.open(secondSection, 1, s.all[at+16:][:number(head[8:16])])
	if err != nil {
		return err
	}
	if err := e.record(table); err != nil {
		return err
	}
	e.text("The trailer, which stands at offset %d and again at offset %d:", len(s.all)-2*len(trailer), len(s.all)-len(trailer))
	e.lines(
		fmt.Sprintf("%x                  %s", trailer[:8], trailer[:8]),
		fmt.Sprintf("%x", trailer[8:24]),
		fmt.Sprintf("%x  a sealed piece with the nonce %x:", trailer[24:], s.nonce(secondTrailer, 0)),
		fmt.Sprintf("    %x              the first section begins at %d", plain[:8], at),
		fmt.Sprintf("    %x              the slab has %d bytes", plain[8:], number(plain[8:])),
	)
	return nil
}

// identities follows section 5.
func (e *example) identities() error {
	chunk := e.slab.chunks[0]
	id := e.r.identity(chunk)
	record := append(slices.Clone(id), 0, 0, 0, 0, 0, 0, 0, 0)
	record[16] = byte(len(chunk))
	sum := blake3.Sum256(record)
	e.text("### An identity and a digest")
	e.text("")
	e.text("Chunk 0 of this slab, its identity, and the digest of a stream that consists of this chunk:")
	e.lines(
		fmt.Sprintf("%q", chunk),
		fmt.Sprintf("identity     %x", id),
		fmt.Sprintf("hashed       %x %x", record[:16], record[16:]),
		fmt.Sprintf("digest       %x", sum),
	)
	return nil
}

// tableRecord follows section 8.
func (e *example) tableRecord() error {
	names, err := e.r.list("tables")
	if err != nil {
		return err
	}
	for _, name := range names {
		records, err := e.r.table(name)
		if err != nil {
			return err
		}
		if hex.EncodeToString(records[0].Slab) != e.slab.name {
			continue
		}
		plain, err := secondEncoding().Marshal(records[0])
		if err != nil {
			return err
		}
		e.text("### A table object")
		e.text("")
		e.text("Record 0 of `%s` has %d bytes sealed, so %x stands before it:", name, len(plain)+16, []byte{byte(len(plain) + 16), byte((len(plain) + 16) >> 8), 0, 0})
		if err := e.record(plain); err != nil {
			return err
		}
		e.text("Record %d, the last, is empty: 10000000 and a sealed piece of 16 bytes.", len(records))
	}
	return nil
}

// record writes a record in diagnostic notation.
func (e *example) record(b []byte) error {
	text, _, err := diagnoseFirst(b)
	e.lines(text)
	return err
}
