package store_test

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
)

// indexFile follows section 9.
func (e *example) indexFile() error {
	name := "captures/" + e.index.ID
	_, plain, err := e.r.index(name)
	if err != nil {
		return err
	}
	o, err := e.r.object("capture", name)
	if err != nil {
		return err
	}
	e.text("")
	e.text("### An index file")
	e.text("")
	e.text("`%s` has %d bytes: the header, and a sealed piece with a record of %d bytes:", name, len(o.all), len(plain))
	if err := e.record(plain); err != nil {
		return err
	}
	empty := e.index.Volumes[4]
	plain, err = secondEncoding().Marshal(empty)
	if err != nil {
		return err
	}
	e.text("The volume %q, one of those left out here, has no members, no contents, and a member list without runs:", empty.Name)
	return e.record(plain)
}

// recipe expands the recipe of the first volume's contents.
func (e *example) recipe() error {
	recipe := e.index.Volumes[0].Contents
	outer, err := e.r.chunksOf(recipe.Runs)
	if err != nil {
		return err
	}
	runs, err := e.r.expand(recipe)
	if err != nil {
		return err
	}
	e.text("### A recipe of level 1")
	e.text("")
	e.text("The contents of the volume %q have a recipe of level %d. Its run names a chunk of %d bytes with %d runs:", e.index.Volumes[0].Name, recipe.Level, len(outer[0]), len(runs))
	var lines []string
	rest := bytes.Join(outer, nil)
	for range 5 {
		run, n, err := diagnoseFirst(rest)
		if err != nil {
			return err
		}
		lines = append(lines, fmt.Sprintf("%-36x  %s", rest[:n], run))
		rest = rest[n:]
	}
	e.lines(append(lines, fmt.Sprintf("… / %d more /", len(runs)-5))...)
	e.text("The first names a chunk of zeros %d times. Then chunks of the first capture's slab and of the second's take turns.", runs[0].Times)
	return nil
}

// memberList shows entries of the first volume, and of the one without headers.
func (e *example) memberList() error {
	v, plain := &e.index.Volumes[0], &e.index.Volumes[3]
	lines, err := e.entries(v)
	if err != nil {
		return err
	}
	plainLines, err := e.entries(plain)
	if err != nil {
		return err
	}
	e.text("")
	e.text("### A member list")
	e.text("")
	e.text("The member list of the volume %q has %d entries; their headers are packed:", v.Name, len(lines))
	last := len(lines) - 1
	e.lines(append(slices.Clone(lines[:3]), fmt.Sprintf("… / %d more /", last-3), lines[last])...)
	e.text("The whole header of the first is one block of 512 bytes. That of the second begins with the bytes that fill")
	e.text("up the last block of the content before. The last entry is what fills up the last block of all, and the end")
	e.text("marker.")
	e.text("The list of the volume %q, which is no tar stream:", plain.Name)
	e.lines(plainLines...)
	return nil
}

// entries gives the entries of a volume's member list in diagnostic notation.
func (e *example) entries(v *secondVolume) (lines []string, err error) {
	list, err := e.r.stream(&v.List)
	if err != nil {
		return nil, err
	}
	for rest := bytes.Join(list, nil); len(rest) > 0; {
		entry, n, err := diagnoseFirst(rest)
		if err != nil {
			return nil, err
		}
		lines, rest = append(lines, entry), rest[n:]
	}
	return lines, nil
}

// stamps shows the last member of the folder, packed, and with its cuts.
func (e *example) stamps() error {
	v := e.folder()
	entries, err1 := e.r.members(v)
	chunks, err2 := e.r.optional(v.Stamps)
	lines, err3 := e.entries(v)
	if err := cmp.Or(err1, err2, err3); err != nil {
		return err
	}
	i, stamps := len(entries)-2, bytes.Join(chunks, nil)
	for _, before := range entries[:i] {
		var err error
		if _, stamps, err = before.wholeHeader(stamps); err != nil {
			return err
		}
	}
	entry := entries[i]
	header, own, rest, err1 := entry.unpack(stamps)
	whole, _, err2 := entry.wholeHeader(stamps)
	if err := cmp.Or(err1, err2); err != nil {
		return err
	}
	e.text("### Packed bytes, and stamps")
	e.text("")
	e.text("Entry %d of the volume %q, and how its header begins:", i, v.Name)
	e.lines(append([]string{lines[i], ""}, packedParts(entry.Header, 5)...)...)
	e.text("Unpacked it has %d bytes; zeros that are left out are counted:", len(header))
	e.lines(withoutZeros(header)...)
	e.text("With %d bytes of stamps the whole header has %d bytes: three blocks, and nothing before the first. The next", len(own), len(whole))
	e.text("stamps are packed in %d bytes, h'%x…'. Unpacked:", len(stamps)-len(rest), stamps[:16])
	var parts []string
	for _, c := range entry.Cuts {
		parts = append(append(parts, fmt.Sprintf("cut at %d:", c.Offset)), withoutZeros(own[:c.Length])...)
		own = own[c.Length:]
	}
	e.lines(parts...)
	e.text("The whole header, with the checksums at %d and %d filled in:", 148, 1024+148)
	e.lines(withoutZeros(whole)...)
	return nil
}

// packedParts gives the first parts of packed bytes: pairs, and what is between
// them.
func packedParts(packed []byte, count int) (lines []string) {
	for range count {
		n := bytes.IndexByte(packed, 0)
		text := fmt.Sprintf("%q", packed[:n])
		if n == 0 {
			n, text = 2, fmt.Sprintf("%d + 1 zeros", packed[1])
		}
		lines, packed = append(lines, fmt.Sprintf("%-46x  %s", packed[:n], text)), packed[n:]
	}
	return append(lines, fmt.Sprintf("… / %d bytes more /", len(packed)))
}

// withoutZeros gives bytes as texts with their offsets, cut at eight or more
// zeros, which are counted instead.
func withoutZeros(b []byte) (lines []string) {
	zeros := make([]byte, 8)
	for at := 0; at < len(b); {
		rest := b[at:]
		n := len(rest) - len(bytes.TrimLeft(rest, "\x00"))
		text := fmt.Sprintf("%d zeros", n)
		if n < len(zeros) {
			if n = bytes.Index(rest, zeros); n < 0 {
				n = len(rest)
			}
			text = fmt.Sprintf("%q", rest[:n])
		}
		lines, at = append(lines, fmt.Sprintf("%-4d  %s", at, text)), at+n
	}
	return lines
}

// states shows how the states of the folder begin.
func (e *example) states() error {
	v := e.folder()
	chunks, err := e.r.optional(v.States)
	if err != nil {
		return err
	}
	e.text("### States")
	e.text("")
	e.text("The states of the volume %q have %d bytes. They begin with their number and the first member's state:", v.Name, v.States.Length)
	var lines []string
	rest := bytes.Join(chunks, nil)
	for range 2 {
		item, n, err := diagnoseFirst(rest)
		if err != nil {
			return err
		}
		lines = append(lines, fmt.Sprintf("%-18x  %s", rest[:n], item))
		rest = rest[n:]
	}
	e.lines(lines...)
	e.text("The change time is the modification time here, as of most files that were only written.")
	return nil
}

// folder gives the volume that was a folder.
func (e *example) folder() *secondVolume { return &e.index.Volumes[5] }
