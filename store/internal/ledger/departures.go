package ledger

import (
	"maps"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// Departures are the captures that marks name as gone, with the hashes that they had when
// they went. The zero hash stands for one that isn't known.
type Departures map[string][]crypt.Digest

// Departures gives what all marks of what is gone name.
func (b *Batches) Departures() Departures {
	d := make(Departures)
	for _, g := range b.Gone {
		if g.Record == nil {
			continue
		}
		for i, id := range g.Record.Captures {
			var hash crypt.Digest
			if len(g.Record.Hashes) > 0 {
				hash = g.Record.Hashes[i]
			}
			d[id] = append(d[id], hash)
		}
	}
	return d
}

// With gives what both name.
func (d Departures) With(other Departures) Departures {
	all := maps.Clone(d)
	for id, hashes := range other {
		all[id] = append(slices.Clone(all[id]), hashes...)
	}
	return all
}

// Covers tells whether a capture went on purpose as it was.
func (d Departures) Covers(id string, hash crypt.Digest) bool {
	return slices.Contains(d[id], hash) || slices.Contains(d[id], crypt.Digest{})
}

// Names tells whether a capture went on purpose, whatever it was.
func (d Departures) Names(id string) bool { return len(d[id]) > 0 }

// Depart adds a capture to those that a mark names as gone.
func Depart(record *format.BatchRecord, id string, hash crypt.Digest) {
	record.Captures = append(record.Captures, id)
	record.Hashes = append(record.Hashes, hash)
}
