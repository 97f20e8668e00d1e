package store

import (
	"fmt"
	"maps"
	"slices"
	"time"
)

// farAhead is how far the clock of whoever put a mark may be ahead of the medium's before
// it is worth a word: common practice, no source.
const farAhead = time.Hour

// noteAhead says which grace times begin late, as the clock of whoever put the mark is far
// ahead.
func (v *survey) noteAhead() (notes []string) {
	for _, c := range v.captures {
		if c.Retired != nil && v.grace > 0 && c.Retired.At.Sub(v.now) > farAhead {
			notes = append(notes, fmt.Sprintf("capture %s was retired by a machine whose clock is far ahead: its grace time begins at %s; taking that back and retiring it again begins it anew", c.ID, utc(c.Retired.At)))
		}
	}
	for _, b := range v.going.Announced {
		if v.grace > 0 && b.At().Sub(v.now) > farAhead {
			notes = append(notes, fmt.Sprintf("%s was put by a machine whose clock is far ahead: what it announces has its grace time from %s on", b.Info.Name, utc(b.At())))
		}
	}
	return notes
}

// noteTimes says where the two times of a retirement are far from each other, so that
// the later one counts.
func (v *verifier) noteTimes() {
	for _, id := range slices.Sorted(maps.Keys(v.stand.Retired)) {
		for _, m := range v.stand.Retired[id] {
			if d := m.Record.Made.Sub(m.Info.Modified); d > farAhead {
				v.report.Notes = append(v.report.Notes, fmt.Sprintf("%s: its file is of %s, and says %s, which counts: the clock of whoever put it was ahead, or the file's time was set back",
					m.Info.Name, utc(m.Info.Modified), utc(m.Record.Made)))
			}
		}
	}
}

func utc(t time.Time) string { return t.UTC().Format(time.RFC3339) }
