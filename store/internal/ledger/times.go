package ledger

import "time"

// FarAhead is how far the clock of whoever put a mark may be ahead of the medium's before
// it is worth a word: common practice, no source.
const FarAhead = time.Hour

// UTC gives a time as texts for people have it.
func UTC(t time.Time) string { return t.UTC().Format(time.RFC3339) }
