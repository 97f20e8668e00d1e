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
		if c.retired != nil && v.grace > 0 && c.retired.At.Sub(v.now) > farAhead {
			notes = append(notes, fmt.Sprintf("capture %s was retired by a machine whose clock is far ahead: its grace time begins at %s; taking that back and retiring it again begins it anew", c.ID, utc(c.retired.At)))
		}
	}
	for _, b := range v.going.announced {
		if v.grace > 0 && b.at().Sub(v.now) > farAhead {
			notes = append(notes, fmt.Sprintf("%s was put by a machine whose clock is far ahead: what it announces has its grace time from %s on", b.info.Name, utc(b.at())))
		}
	}
	return notes
}

// noteTimes says where the two times of a retirement are far from each other, so that
// the later one counts.
func (v *verifier) noteTimes() {
	for _, id := range slices.Sorted(maps.Keys(v.stand.retired)) {
		for _, m := range v.stand.retired[id] {
			if d := m.record.Made.Sub(m.info.Modified); d > farAhead {
				v.report.Notes = append(v.report.Notes, fmt.Sprintf("%s: its file is of %s, and says %s, which counts: the clock of whoever put it was ahead, or the file's time was set back",
					m.info.Name, utc(m.info.Modified), utc(m.record.Made)))
			}
		}
	}
}

func utc(t time.Time) string { return t.UTC().Format(time.RFC3339) }
