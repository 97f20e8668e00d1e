package store_test

import (
	"bytes"
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
	e.text("The volume %q is empty: no members, no contents, and a member list without runs.", e.index.Volumes[4].Name)
	return nil
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
	e.text("")
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
	e.text("The member list of the volume %q has %d entries in %d chunks:", v.Name, len(lines), v.List.Chunks)
	last := len(lines) - 1
	e.lines(append(slices.Clone(lines[:3]), fmt.Sprintf("… / %d more /", last-3), lines[last])...)
	e.text("The header of the first is one block of 512 bytes. That of the second begins with the bytes that fill up the")
	e.text("last block of the content before. The last entry is what fills up the last block of all, and the end marker.")
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
