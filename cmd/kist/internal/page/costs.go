package page

import (
	"cmp"
	"slices"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// cost is a row of the third picture: what a name, or a host, costs.
type cost struct {
	Of     string
	Most   int64 // that any of them stores
	Shared int64 // what others need as well
	store.Cost
}

func (v *view) costs() (names, hosts []cost) {
	for _, n := range v.Usage.Names {
		names = append(names, cost{Of: screen.Printable(n.Name), Cost: n.Cost})
	}
	for _, h := range v.Usage.Hosts {
		hosts = append(hosts, cost{Of: screen.Printable(h.Host), Cost: h.Cost})
	}
	if len(hosts) < 2 {
		hosts = nil
	}
	for _, all := range [][]cost{names, hosts} {
		most := int64(1)
		for _, c := range all {
			most = max(most, c.Stored)
		}
		for i := range all {
			all[i].Most, all[i].Shared = most, all[i].Stored-all[i].Alone
		}
		slices.SortStableFunc(all, func(a, b cost) int { return cmp.Compare(b.Stored, a.Stored) })
	}
	return names, hosts
}

// parts are how captured bytes split, for a bar: what is stored, what compression saved and what
// deduplication did. What costs more than it saves has no part.
func (c cost) parts() (stored, compression, deduplication int64) {
	return c.Stored, max(0, c.Compression), max(0, c.Deduplication)
}

// Bar gives the places of the parts in a bar, in percent.
func (c cost) Bar() (b struct{ Stored, CompressionAt, Compression, DeduplicationAt, Deduplication string }) {
	stored, compression, deduplication := c.parts()
	whole := stored + compression + deduplication
	b.Stored = percentText(stored, whole)
	b.CompressionAt, b.Compression = percentText(stored, whole), percentText(compression, whole)
	b.DeduplicationAt, b.Deduplication = percentText(stored+compression, whole), percentText(deduplication, whole)
	return b
}
