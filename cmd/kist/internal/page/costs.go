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

// Bar gives the places of the parts in a bar, in percent: what is stored, and what was saved.
func (c cost) Bar() (b struct{ Stored, CompressionAt, Compression, DeltasAt, Deltas, DeduplicationAt, Deduplication string }) {
	whole := c.Stored + c.Compression + c.Deltas + c.Deduplication
	b.Stored = percentText(c.Stored, whole)
	b.CompressionAt, b.Compression = percentText(c.Stored, whole), percentText(c.Compression, whole)
	b.DeltasAt, b.Deltas = percentText(c.Stored+c.Compression, whole), percentText(c.Deltas, whole)
	b.DeduplicationAt, b.Deduplication = percentText(c.Stored+c.Compression+c.Deltas, whole), percentText(c.Deduplication, whole)
	return b
}
