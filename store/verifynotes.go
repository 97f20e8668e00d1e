package store

import "fmt"

// noteUnneeded says how many slabs no capture names: what reclaiming frees, or all that is
// left of captures whose index files are gone.
func (v *verifier) noteUnneeded() {
	n, bytes := 0, int64(0)
	for _, s := range v.there {
		if !v.state(s.id).wanted {
			n, bytes = n+1, bytes+s.Size
		}
	}
	if n > 0 {
		v.report.Notes = append(v.report.Notes, fmt.Sprintf("slabs that no capture needs which can be read: %d, of %d bytes together; kist reclaim frees them, unless index files are missing", n, bytes))
	}
}
