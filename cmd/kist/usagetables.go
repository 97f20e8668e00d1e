package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// On a terminal tables of usage take at most 80 columns; in a pipe names are whole. An id takes 20, a size 8, and what separates them 2.
const (
	shownName    = 9  // of a capture
	shownVersion = 7  // likewise
	shownShare   = 18 // of a name or host
	// where a further column has what deltas saved
	shownShareOfDeltas = 8
)

// usageTables gives the lines of all tables that there are.
func usageTables(u *store.Usage, shorten bool) (tables [][]string) {
	if len(u.Captures) > 0 {
		tables = append(tables, usageLines(u, shorten))
	}
	var names, hosts []share
	for _, n := range u.Names {
		names = append(names, share{n.Name, n.Cost})
	}
	for _, h := range u.Hosts {
		hosts = append(hosts, share{h.Host, h.Cost})
	}
	if len(names) > 1 {
		tables = append(tables, shareLines("name", names, shorten))
	}
	if len(hosts) > 1 {
		tables = append(tables, shareLines("host", hosts, shorten))
	}
	return tables
}

type share struct {
	of string
	store.Cost
}

// shareLines is a table of what names or hosts cost.
func shareLines(what string, shares []share, shorten bool) []string {
	title, room := what+"\tcaptures\tcaptured\t  stored\t   saved\tby dedup\t", shownShare
	deltas := slices.ContainsFunc(shares, func(s share) bool { return s.Deltas > 0 })
	if deltas {
		title, room = title+"by delta\t", shownShareOfDeltas
	}
	lines := []string{title + "by compr"}
	for _, s := range shares {
		cells := []string{nameCell(s.of, room, shorten), fmt.Sprintf("%8d", s.Captures)}
		sizes := []int64{s.Captured, s.Stored, s.Saved, s.Deduplication}
		if deltas {
			sizes = append(sizes, s.Deltas)
		}
		for _, n := range append(sizes, s.Compression) {
			cells = append(cells, fmt.Sprintf("%8s", signedSize(n)))
		}
		lines = append(lines, strings.Join(cells, "\t"))
	}
	return lines
}

// usageLines is the table of captures. Names are shown where there are several, bars where
// there is room for them.
func usageLines(u *store.Usage, shorten bool) []string {
	var most int64
	for _, c := range u.Captures {
		most = max(most, c.Alone)
	}
	names := len(u.Names) > 1
	titles := []string{"id", "version", "    size", "   holds", "   added", "   alone"}
	if names {
		titles = append([]string{"id", "name"}, titles[1:]...)
	}
	if !names {
		titles = append(titles, "share")
	}
	lines := []string{strings.Join(titles, "\t")}
	for _, c := range u.Captures {
		cells := []string{c.ID}
		if names {
			cells = append(cells, nameCell(c.Name, shownName, shorten))
		}
		cells = append(cells, nameCell(c.Version, shownVersion, shorten),
			screen.SizeCell(c.Bytes), screen.SizeCell(uint64(c.Holds)), screen.SizeCell(c.Added), screen.SizeCell(uint64(c.Alone)))
		if !names {
			cells = append(cells, bar(c.Alone, most))
		}
		lines = append(lines, strings.Join(cells, "\t"))
	}
	return lines
}

// nameCell is a name, in so many columns where it is to be shortened.
func nameCell(name string, columns int, shorten bool) string {
	if shorten {
		return screen.Shorten(screen.Printable(name), columns)
	}
	return screen.Printable(name)
}

// bar draws a share of a whole.
func bar(n, most int64) string {
	const width = 8
	if most == 0 {
		return ""
	}
	return strings.Repeat("=", int((n*width+most-1)/most))
}
