package store

import (
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// departures are the captures that marks name as gone, with the hashes that they had when
// they went. The zero hash stands for one that isn't known.
type departures map[string][]crypt.Digest

// departures gives what all marks of what is gone name.
func (b *batches) departures() departures {
	d := make(departures)
	for _, g := range b.gone {
		if g.record == nil {
			continue
		}
		for i, id := range g.record.Captures {
			var hash crypt.Digest
			if len(g.record.Hashes) > 0 {
				hash = g.record.Hashes[i]
			}
			d[id] = append(d[id], hash)
		}
	}
	return d
}

// covers tells whether a capture went on purpose as it was.
func (d departures) covers(id string, hash crypt.Digest) bool {
	return slices.Contains(d[id], hash) || slices.Contains(d[id], crypt.Digest{})
}

// names tells whether a capture went on purpose, whatever it was.
func (d departures) names(id string) bool { return len(d[id]) > 0 }

// depart adds a capture to those that a mark names as gone.
func depart(record *format.BatchRecord, id string, hash crypt.Digest) {
	record.Captures = append(record.Captures, id)
	record.Hashes = append(record.Hashes, hash)
}
